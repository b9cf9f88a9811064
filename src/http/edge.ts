import type { IncomingMessage, ServerResponse } from "node:http";
import cors from "@fastify/cors";
import type { FastifyInstance } from "fastify";
import helmet, { type HelmetOptions } from "helmet";
import type { Doors } from "./doors.ts";
import { limitRates } from "./rate-limit.ts";

/** Sets what every answer says to browsers, and what keeps strangers, crowds and slow clients from the doors behind. */
export async function guardEdge(app: FastifyInstance, doors: Pick<Doors, "edge" | "trustedProxies">): Promise<void> {
  const { edge } = doors;
  const said = headersOf({
    // An answer is no page (OWASP REST Security Cheat Sheet, Security Headers). The page at /docs puts its own in this place.
    contentSecurityPolicy: { useDefaults: false, directives: { defaultSrc: ["'none'"], frameAncestors: ["'none'"] } },
    frameguard: { action: "deny" },
    // Never over plain HTTP (RFC 6797, 7.2), and not for subdomains, which are not ours to speak for.
    strictTransportSecurity: edge?.tls === undefined ? false : { maxAge: 31_536_000, includeSubDomains: false },
  });
  app.addHook("onRequest", (_request, reply, done) => {
    reply.headers(said);
    done();
  });
  app.addHook("onSend", async (_request, reply) => {
    // Records belong into no cache, not even the browser's (OWASP ASVS 4.0.3, V8.1.1 and V8.2.1). Files of /docs say for themselves.
    if (!reply.hasHeader("cache-control")) reply.header("Cache-Control", "no-store");
  });
  if (edge === undefined) return;
  app.server.maxConnections = edge.maxConnections;
  if (edge.corsOrigins.length > 0) await allowOrigins(app, edge.corsOrigins);
  if (edge.requestsPerMinute > 0) await limitRates(app, edge.requestsPerMinute, doors.trustedProxies);
}

/** What helmet says of every answer, asked once: its plugin for Fastify makes it anew for each request. */
function headersOf(options: Readonly<HelmetOptions>): Readonly<Record<string, string>> {
  const headers = new Map<string, string>();
  const answer = {
    setHeader: (name: string, value: string) => headers.set(name.toLowerCase(), value),
    removeHeader: () => undefined,
  };
  helmet(options)({} as IncomingMessage, answer as unknown as ServerResponse, (error) => {
    if (error !== undefined) throw error;
  });
  return Object.fromEntries(headers);
}

async function allowOrigins(app: FastifyInstance, origins: readonly string[]): Promise<void> {
  await app.register(cors, {
    // A list would answer every preflight with 204; this way an OPTIONS from elsewhere meets the door's own answer.
    origin: (origin, decide) => decide(null, origin !== undefined && origins.includes(origin) ? origin : false),
    methods: ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE"],
    allowedHeaders: [
      "Accept",
      "Authorization",
      "Break-Glass",
      "Cache-Control",
      "Content-Type",
      "If-Match",
      "If-Modified-Since",
      "If-None-Exist",
      "If-None-Match",
      "Prefer",
      "Traceparent",
      "X-Request-Id",
    ],
    exposedHeaders: ["ETag", "Last-Modified", "Location", "Retry-After", "Tidegate-Read-From", "X-Request-Id"],
    // Who may come in is said by the token in the header, never by a cookie.
    credentials: false,
    maxAge: 600,
    strictPreflight: false,
  });
}
