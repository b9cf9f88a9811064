import { hash64 } from "./atoms.ts";

/** The stored term of a uri under an atom; uris match whole and with their case (https://hl7.org/fhir/R4/search.html#uri). */
export function uriTerm(key: string, uri: string): string {
  return hash64(`${key}\nuri\n${uri}`);
}

/** What to index of a uri; a canonical answers with and without its version. Nothing of any other value. */
export function urisOf(value: unknown, key: string): string[] {
  if (typeof value !== "string") return [];
  const bar = value.indexOf("|");
  return bar < 0 ? [uriTerm(key, value)] : [uriTerm(key, value), uriTerm(key, value.slice(0, bar))];
}
