/** What the links of one resource of a transaction become: by what was sent, `Type/id`. */
export type Resolve = (link: string) => string | undefined;

/**
 * A copy of a resource in which every reference, url and narrative link to an entry's `fullUrl`, and every conditional
 * reference, names the `Type/id` it got (https://hl7.org/fhir/R4/http.html#trules). Identifier and contact values are no
 * links and stay as they are.
 */
export function withResolvedReferences<T>(value: T, resolve: Resolve): T {
  return resolved("", value, resolve) as T;
}

/** Members of type string or id, where a text that looks like a link is none. */
const noLinks = new Set(["value", "id", "display", "valueString"]);

function resolved(name: string, value: unknown, resolve: Resolve): unknown {
  if (typeof value === "string") {
    if (name === "div") return resolvedNarrative(value, resolve);
    return noLinks.has(name) ? value : (resolve(value) ?? value);
  }
  if (Array.isArray(value)) return value.map((one) => resolved(name, one, resolve));
  if (typeof value !== "object" || value === null || isRawNumber(value)) return value;
  return Object.fromEntries(Object.entries(value).map(([key, one]) => [key, resolved(key, one, resolve)]));
}

/** A number kept as it was written; a copy of its members would no longer be one. */
function isRawNumber(value: object): boolean {
  return Object.isFrozen(value) && "rawJSON" in value;
}

/** Links and images of the narrative: `href` and `src` of its XHTML. */
function resolvedNarrative(div: string, resolve: Resolve): string {
  return div.replace(/(\b(?:href|src)\s*=\s*)(["'])([^"']*)\2/g, (whole, start: string, quote: string, url: string) => {
    const found = resolve(url);
    return found === undefined ? whole : `${start}${quote}${found}${quote}`;
  });
}

/** `[base]/Type/id` split into base and the rest; undefined for a urn and anything else that has no base. */
export function restfulUrl(url: string): { readonly base: string; readonly reference: string } | undefined {
  const match = /^(https?:\/\/.+)\/([A-Z][A-Za-z]+\/[A-Za-z0-9\-.]{1,64})$/.exec(url);
  return match === null ? undefined : { base: match[1] ?? "", reference: match[2] ?? "" };
}
