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

/** A uri and every one above it on its path: what `:above` finds. A URN has none above (https://hl7.org/fhir/R4/search.html#uri). */
export function aboveUris(uri: string): string[] {
  const start = /^[a-z][a-z0-9+.-]*:\/\/[^/]*/i.exec(uri)?.[0];
  if (start === undefined) return [uri];
  const above = [uri];
  for (let end = uri.lastIndexOf("/"); end >= start.length; end = uri.lastIndexOf("/", end - 1)) {
    above.push(uri.slice(0, end + 1), uri.slice(0, end));
  }
  return [...new Set(above)];
}
