import { errors, type JSONWebKeySet, type JWTVerifyGetKey } from "jose";
import type { StoredClient } from "../store/client.ts";
import { type FetchedText, keptAnswers, NotFetched, parsedJson } from "./kept-answers.ts";
import { keyFinder, readKeySet } from "./key-set.ts";

/** Where the public keys of clients come from. */
export interface ClientKeys {
  /** Keys to check a signature with; throws an error of jose where they cannot be had. */
  of(client: Pick<StoredClient, "jwks" | "jwksUrl">, kid: string): Promise<JWTVerifyGetKey>;
}

/** Keys given at registration, else fetched from the client's address and kept for a while. */
export function clientKeys(now: () => number, fetchText?: (url: string) => Promise<FetchedText>): ClientKeys {
  const sets = keptAnswers({ now, read: setOf, ...(fetchText === undefined ? {} : { fetchText }) });
  return {
    async of({ jwks, jwksUrl }, kid) {
      if (jwksUrl === undefined) return keyFinder(jwks as JSONWebKeySet);
      try {
        return keyFinder(await sets.of(jwksUrl, ({ keys }) => keys.some((key) => key.kid === kid)));
      } catch (error) {
        if (error instanceof NotFetched) throw new errors.JWKSInvalid("the client's keys could not be fetched");
        throw error;
      }
    },
  };
}

/** Keys of other kinds may stand beside ours in a set that is made for many servers. */
function setOf(text: string): JSONWebKeySet {
  const { set } = readKeySet(parsedJson(text));
  if (set.keys.length > 0) return set;
  throw new NotFetched("the address holds no usable key");
}
