import { hash64 } from "./atoms.ts";
import { unescaped } from "./escape.ts";
import { systemAndCode, tokenTerm } from "./token.ts";

/** Terms of references met before, by atom: the same people and devices come again and again. */
const met = new Map<string, Map<string, string>>();
const mostMet = 20_000;
let countMet = 0;

/** The stored term for a reference under an atom, version left out. */
export function referenceTerm(key: string, reference: string): string {
  const known = met.get(key)?.get(reference);
  if (known !== undefined) return known;
  const term = freshTerm(key, reference);
  // References come from clients, so that at some number all are forgotten.
  if (countMet >= mostMet) {
    met.clear();
    countMet = 0;
  }
  const underKey = met.get(key) ?? new Map<string, string>();
  met.set(key, underKey);
  underKey.set(reference, term);
  countMet += 1;
  return term;
}

function freshTerm(key: string, reference: string): string {
  const bare = reference.includes("/_history/") ? reference.replace(/\/_history\/[^/]+$/, "") : reference;
  return hash64(`${key}\nreference\n${bare}`);
}

/** The stored term for a reference to `Type/id` from anywhere in a resource, where no search parameter looks too. */
export function referralTerm(reference: string): string {
  return referenceTerm("anywhere", reference);
}

/** The stored term for a reference by identifier (`:identifier`); `system` undefined matches any, "" none. */
export function identifierTerm(key: string, system: string | undefined, value: string): string {
  return tokenTerm(`${key}\nidentifier`, system, value);
}

/**
 * What to index of a Reference, or of a canonical or uri that refers; a canonical answers with and without its version.
 * `local` takes this service's own address off a reference.
 */
export function referencesOf(value: unknown, key: string, local: (reference: string) => string): string[] {
  if (typeof value === "string") {
    const canonical = local(value);
    const bar = canonical.indexOf("|");
    const whole = referenceTerm(key, canonical);
    return bar < 0 ? [whole] : [whole, referenceTerm(key, canonical.slice(0, bar))];
  }
  if (typeof value !== "object" || value === null) return [];
  const { reference, identifier } = value as {
    reference?: string;
    identifier?: { system?: string; value?: string };
  };
  const terms = reference === undefined ? [] : [referenceTerm(key, local(reference))];
  if (identifier?.value !== undefined) {
    terms.push(
      identifierTerm(key, identifier.system ?? "", identifier.value),
      identifierTerm(key, undefined, identifier.value),
    );
  }
  return terms;
}

/**
 * Reads a query value into `Type/id` references or one absolute url: a bare id may be of any of the types allowed
 * (https://hl7.org/fhir/R4/search.html#reference).
 */
export function referenceQuery(
  value: string,
  targets: readonly string[],
  local: (reference: string) => string,
): string[] {
  const text = local(unescaped(value));
  if (/^[a-z][a-z0-9+.-]*:/i.test(text) || text.includes("/")) return [text];
  return targets.map((type) => `${type}/${text}`);
}

/** Reads the value of `:identifier` (`value`, `system|value`, `|value`) into the term to look for. */
export function identifierQuery(key: string, value: string): string {
  const [system, code] = systemAndCode(value);
  return identifierTerm(key, system, code);
}
