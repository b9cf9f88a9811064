import type { JWTVerifyGetKey } from "jose";
import { isOnThisMachine, isSafeAddress, keptAnswers, NotFetched, parsedJson } from "./kept-answers.ts";
import { keyFinder, readKeySet, signatureAlgorithms } from "./key-set.ts";
import type { Service } from "./service.ts";

/** The public keys of one issuer of tokens. */
export interface IssuerKeys {
  /** Finds the key of a signature; throws NotFetched where the issuer's keys cannot be had now. */
  of(kid: string): Promise<JWTVerifyGetKey>;
}

/** A key that an issuer has withdrawn is believed no longer than this while the issuer answers … */
const longestMs = 3_600_000;
/** … and as long again while it does not: its outage should not be ours at once. */
const staleMs = 3_600_000;

/**
 * The keys of an issuer, found by its own description of itself
 * (https://openid.net/specs/openid-connect-discovery-1_0.html#ProviderConfig) when the first token needs one, and kept for
 * a while: a start does not wait for an issuer that is away.
 */
export function issuerKeys(issuer: string, { now, log }: Pick<Service, "now" | "log">): IssuerKeys {
  const onFailure = (error: unknown) => {
    const why = error instanceof NotFetched ? error.message : (error as Error).name;
    log.warn({ issuer, why }, "the keys of a token issuer cannot be had");
  };
  const keeping = { now, longestMs, staleMs, onFailure };
  const descriptions = keptAnswers({ ...keeping, read: (text) => keyAddressOf(issuer, text) });
  const sets = keptAnswers({ ...keeping, read: keysOf });
  return {
    async of(kid) {
      const address = await descriptions.of(descriptionAddress(issuer));
      const { find } = await sets.of(address, ({ kids }) => kids.has(kid));
      return find;
    },
  };
}

/** Where an issuer describes itself (the same, section 4: a slash at the end of the issuer is left out). */
function descriptionAddress(issuer: string): string {
  return `${issuer.replace(/\/$/, "")}/.well-known/openid-configuration`;
}

/**
 * Where an issuer's keys are, by what it says of itself. A description of somebody else is not believed (the same, section
 * 4.3; RFC 8414, section 3.3): NotFetched.
 */
export function keyAddressOf(issuer: string, text: string): string {
  const { issuer: described, jwks_uri } = (parsedJson(text) ?? {}) as { issuer?: unknown; jwks_uri?: unknown };
  if (described !== issuer) throw new NotFetched("its description is that of another issuer");
  if (typeof jwks_uri !== "string" || !isSafeAddress(jwks_uri)) throw new NotFetched("jwks_uri is no https address");
  // What is elsewhere has no business on this machine.
  if (isOnThisMachine(jwks_uri) && !isOnThisMachine(issuer)) throw new NotFetched("jwks_uri is no https address");
  return jwks_uri;
}

function keysOf(text: string): { readonly kids: ReadonlySet<string>; readonly find: JWTVerifyGetKey } {
  const { set } = readKeySet(parsedJson(text), signatureAlgorithms);
  if (set.keys.length === 0) throw new NotFetched("jwks_uri holds no usable key");
  return { kids: new Set(set.keys.map(({ kid = "" }) => kid)), find: keyFinder(set) };
}
