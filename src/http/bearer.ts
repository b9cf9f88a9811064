import type { FastifyRequest } from "fastify";
import { secretHash } from "../flows/grant.ts";

/** Configured tokens: tenant ids by the SHA-256 (hex) of each. They open every door of their tenant. */
export type AccessTokens = ReadonlyMap<string, number>;

const longestToken = 512;
/** A JSON Web Token carries claims; it and all other headers have 16 kB together. */
const longestJwt = 8_192;

/** Hashes of the tokens that came last: a client sends the same one with each request, and hashing is a tenth of a read. */
const lately = new Map<string, string>();
const mostLately = 200;

/** The hash under which a token is configured and looked up; the token itself is written nowhere. */
export function tokenHash(token: string): string {
  const known = lately.get(token);
  if (known !== undefined) return known;
  const hash = secretHash(token).toString("hex");
  if (lately.size >= mostLately) lately.clear();
  lately.set(token, hash);
  return hash;
}

/** The token in the request's header; undefined where there is none. */
export function bearerOf(request: FastifyRequest): string | undefined {
  const token = /^Bearer +([\w.~+/=-]+)$/i.exec(request.headers.authorization ?? "")?.[1];
  if (token === undefined) return undefined;
  return token.length > (isJwt(token) ? longestJwt : longestToken) ? undefined : token;
}

/** Whether a token has the form of a JSON Web Token: header, claims and signature (RFC 7519, 3). */
function isJwt(token: string): boolean {
  return /^[\w-]+\.[\w-]+\.[\w-]+$/.test(token);
}
