import { hash64 } from "./atoms.ts";
import { splitAtBar, tokenTerm } from "./token.ts";

/** The stored term for a reference under an atom, version left out. */
export function referenceTerm(key: string, reference: string): string {
  return hash64(`${key}\nreference\n${reference.replace(/\/_history\/[^/]+$/, "")}`);
}

/** The stored term for a reference by identifier (`:identifier`). */
export function identifierTerm(key: string, system: string, value: string): string {
  return tokenTerm(`${key}\nidentifier`, system, value);
}

/** What to index of a Reference, or of a canonical or uri that refers. */
export function referencesOf(value: unknown, key: string): string[] {
  if (typeof value === "string") return [referenceTerm(key, value)];
  if (typeof value !== "object" || value === null) return [];
  const { reference, identifier } = value as {
    reference?: string;
    identifier?: { system?: string; value?: string };
  };
  const terms = reference === undefined ? [] : [referenceTerm(key, reference)];
  if (identifier?.value !== undefined) {
    terms.push(identifierTerm(key, identifier.system ?? "", identifier.value));
  }
  return terms;
}

/** Reads a query value into `Type/id` references or an absolute url: a bare id may be of any of the types allowed. */
export function referenceQuery(value: string, targets: readonly string[]): string[] {
  if (/^[a-z][a-z0-9+.-]*:/i.test(value) || value.includes("/")) return [value];
  return targets.map((type) => `${type}/${value}`);
}

/** Reads the value of `:identifier` into the term to look for. */
export function identifierQuery(key: string, value: string): string {
  const [system, code] = splitAtBar(value) ?? ["", value];
  return identifierTerm(key, system, code);
}
