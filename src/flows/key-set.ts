import { createLocalJWKSet, errors, type JSONWebKeySet, type JWK, type JWTVerifyGetKey } from "jose";

/** The keys of a set that can check a signature, and why each other one cannot. */
export interface KeysRead {
  readonly set: JSONWebKeySet;
  readonly problems: readonly string[];
}

/**
 * Algorithms of signatures with a public key, each with the key that it takes
 * (https://www.rfc-editor.org/rfc/rfc7518#section-3.1). Those with a shared secret are not among them.
 */
const keyKinds = {
  RS256: "RSA",
  RS384: "RSA",
  RS512: "RSA",
  PS256: "RSA",
  PS384: "RSA",
  PS512: "RSA",
  ES256: "EC, P-256",
  ES384: "EC, P-384",
  ES512: "EC, P-521",
} as const;

export type SignatureAlgorithm = keyof typeof keyKinds;

export const signatureAlgorithms = Object.keys(keyKinds) as readonly SignatureAlgorithm[];

const mostKeys = 50;
/** Members of private and symmetric keys (https://www.rfc-editor.org/rfc/rfc7518#section-6). */
const secretMembers = ["d", "p", "q", "dp", "dq", "qi", "oth", "k"] as const;
/** 2048 bits in base64url: what RFC 7518, 3.3 asks of an RSA key at least. */
const shortestModulus = 342;

/** Reads a JSON Web Key Set for signatures by some algorithms, and keeps of each key what is public and nothing more. */
export function readKeySet(value: unknown, algorithms: readonly SignatureAlgorithm[] = ["RS384", "ES384"]): KeysRead {
  const keys = (value as { keys?: unknown } | null | undefined)?.keys;
  if (!Array.isArray(keys) || keys.length === 0 || keys.length > mostKeys) {
    return { set: { keys: [] }, problems: [`A key set is { "keys": [ … ] } with 1 to ${mostKeys} keys.`] };
  }
  const usable: JWK[] = [];
  const problems: string[] = [];
  const seen = new Set<string>();
  for (const [i, key] of keys.entries()) {
    const read = readKey(key, algorithms);
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

function readKey(value: unknown, algorithms: readonly SignatureAlgorithm[]): JWK | string {
  if (typeof value !== "object" || value === null) return "a key is an object";
  const { kty, kid, use, alg, n, e, crv, x, y } = value as Record<string, unknown>;
  if (secretMembers.some((name) => name in value))
    return "this is a secret key; send its public half only, and replace it";
  if (typeof kid !== "string" || kid === "" || kid.length > 200) return "kid is missing, or longer than 200 characters";
  if (use !== undefined && use !== "sig") return "use is sig";
  const kind = kty === "EC" ? `EC, ${crv}` : kty;
  const fitting = algorithms.filter((one) => keyKinds[one] === kind && (alg === undefined || alg === one));
  const [first, second] = fitting;
  if (first === undefined) return `the key is for ${algorithms.map((one) => `${one} (${keyKinds[one]})`).join(" or ")}`;
  // A key without an algorithm that could serve several says so by having none.
  const only = second === undefined ? { kid, alg: first } : { kid };
  if (kty === "RSA") {
    if (typeof n !== "string" || typeof e !== "string") return "an RSA key has n and e";
    return n.length < shortestModulus ? "an RSA key has at least 2048 bits" : { kty, ...only, n, e };
  }
  return typeof x === "string" && typeof y === "string"
    ? { kty: "EC", ...only, crv: String(crv), x, y }
    : "an EC key has x and y";
}

/** Finds the key of a signature in a set; throws errors of jose only, also for a key that is no point or number. */
export function keyFinder(set: JSONWebKeySet): JWTVerifyGetKey {
  const find = createLocalJWKSet(set);
  return async (header, token) => {
    try {
      return await find(header, token);
    } catch (error) {
      throw error instanceof errors.JOSEError ? error : new errors.JWKSInvalid("the key cannot be used");
    }
  };
}
