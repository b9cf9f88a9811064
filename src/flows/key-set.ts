import type { JSONWebKeySet, JWK } from "jose";

/** The keys of a set that can check an assertion, and why each other one cannot. */
export interface KeysRead {
  readonly set: JSONWebKeySet;
  readonly problems: readonly string[];
}

const mostKeys = 50;
/** Members of private and symmetric keys (https://www.rfc-editor.org/rfc/rfc7518#section-6). */
const secretMembers = ["d", "p", "q", "dp", "dq", "qi", "oth", "k"] as const;
/** 2048 bits in base64url: what RFC 7518, 3.3 asks of an RSA key at least. */
const shortestModulus = 342;

/** Reads a JSON Web Key Set, and keeps of each key what is public and nothing more. */
export function readKeySet(value: unknown): KeysRead {
  const keys = (value as { keys?: unknown } | null | undefined)?.keys;
  if (!Array.isArray(keys) || keys.length === 0 || keys.length > mostKeys) {
    return { set: { keys: [] }, problems: [`A key set is { "keys": [ … ] } with 1 to ${mostKeys} keys.`] };
  }
  const usable: JWK[] = [];
  const problems: string[] = [];
  const seen = new Set<string>();
  for (const [i, key] of keys.entries()) {
    const read = readKey(key);
    const problem =
      typeof read === "string" ? read : seen.has(read.kid ?? "") ? "another key has the same kid" : undefined;
    if (problem !== undefined) problems.push(`keys[${i}]: ${problem}.`);
    else if (typeof read !== "string") {
      seen.add(read.kid ?? "");
      usable.push(read);
    }
  }
  return { set: { keys: usable }, problems };
}

function readKey(value: unknown): JWK | string {
  if (typeof value !== "object" || value === null) return "a key is an object";
  const { kty, kid, use, alg, n, e, crv, x, y } = value as Record<string, unknown>;
  if (secretMembers.some((name) => name in value))
    return "this is a secret key; send its public half only, and replace it";
  if (typeof kid !== "string" || kid === "" || kid.length > 200) return "kid is missing, or longer than 200 characters";
  if (use !== undefined && use !== "sig") return "use is sig";
  if (kty === "RSA" && (alg === undefined || alg === "RS384")) {
    if (typeof n !== "string" || typeof e !== "string") return "an RSA key has n and e";
    return n.length < shortestModulus ? "an RSA key has at least 2048 bits" : { kty, kid, alg: "RS384", n, e };
  }
  if (kty === "EC" && crv === "P-384" && (alg === undefined || alg === "ES384")) {
    return typeof x === "string" && typeof y === "string"
      ? { kty, kid, crv, alg: "ES384", x, y }
      : "an EC key has x and y";
  }
  return "the key is for RS384 (RSA) or ES384 (EC, P-384)";
}
