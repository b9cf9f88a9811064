# The service alone: it brings no database. Node strips the types itself, so there is no build step and what runs is
# what was reviewed.
FROM node:26-slim

ENV NODE_ENV=production
WORKDIR /srv/tidegate

# Packages first: they change less often than the source.
COPY package.json package-lock.json .npmrc ./
RUN npm ci --omit=dev && npm cache clean --force

COPY LICENSE ./
COPY db ./db
COPY openapi ./openapi
COPY seed ./seed
COPY src ./src

# Root owns the source, so the service cannot change itself; only its own folder is writable.
RUN mkdir /data && chown node:node /data
ENV HOST=0.0.0.0 PORT=8080 DATA_DIR=/data
VOLUME /data
USER node
EXPOSE 8080

CMD ["node", "src/main.ts"]
