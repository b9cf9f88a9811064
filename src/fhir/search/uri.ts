import { hash64 } from "./atoms.ts";

/** The stored term of a uri under an atom; uris match whole and with their case. */
export function uriTerm(key: string, uri: string): string {
  return hash64(`${key}\nuri\n${uri}`);
}
