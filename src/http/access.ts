import { createHash } from "node:crypto";
import type { FastifyInstance, FastifyRequest } from "fastify";
import { RefusedRequest } from "./errors.ts";

/** Who may come in: tenant ids by the SHA-256 (hex) of their tokens. */
export type AccessTokens = ReadonlyMap<string, number>;

declare module "fastify" {
  interface FastifyRequest {
    /** The tenant that the request's token is bound to. */
    tenantId: number;
  }
}

const longestToken = 512;

/** The hash under which a token is configured and looked up; the token itself is kept nowhere. */
export function tokenHash(token: string): string {
  return createHash("sha256").update(token).digest("hex");
}

/** Lets only bearers of a known token through to this plugin's routes, and binds each request to its tenant. */
export function requireToken(app: FastifyInstance, tokens: AccessTokens): void {
  app.decorateRequest("tenantId", 0);
  app.addHook("onRequest", async (request) => {
    request.tenantId = tenantOf(request, tokens);
  });
}

function tenantOf(request: FastifyRequest, tokens: AccessTokens): number {
  const token = /^Bearer +([\w.~+/=-]+)$/i.exec(request.headers.authorization ?? "")?.[1];
  // Looked up by its hash: what a comparison's time could tell is about the hash, not about the token.
  const tenantId = token === undefined || token.length > longestToken ? undefined : tokens.get(tokenHash(token));
  if (tenantId === undefined) {
    const detail = "Send a valid token in the Authorization header: Bearer <token>.";
    throw new RefusedRequest([{ kind: "login", detail, status: 401 }]);
  }
  return tenantId;
}
