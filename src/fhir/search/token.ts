import { hash64 } from "./atoms.ts";
import { splitUnescaped, unescaped } from "./escape.ts";

interface TokenShape {
  readonly type?: { readonly coding?: readonly TokenShape[] };
  readonly system?: string;
  readonly code?: string;
  readonly value?: string;
  readonly coding?: readonly TokenShape[];
}

/** The stored term for a code of a system under an atom; `system` undefined matches any, "" none; `code` undefined matches any. */
export function tokenTerm(key: string, system: string | undefined, code: string | undefined): string {
  if (system === undefined) return hash64(`${key}\ncode\n${code}`);
  if (code === undefined) return hash64(`${key}\nsystem\n${system}`);
  return hash64(`${key}\ntoken\n${system}\n${code}`);
}

/** Terms of codings that were met before, by atom, system and code: a service meets the same few thousand all day. */
const met = new Map<string, Map<string, Map<string, readonly string[]>>>();
const mostMet = 20_000;
let countMet = 0;

/** What to index of a code, boolean, Coding, CodeableConcept, Identifier or ContactPoint; nothing of any other value. */
export function tokensOf(value: unknown, key: string): readonly string[] {
  if (typeof value === "string" || typeof value === "boolean") {
    return [tokenTerm(key, undefined, String(value)), tokenTerm(key, "", String(value))];
  }
  if (typeof value !== "object" || value === null) return [];
  const shape = value as TokenShape;
  if (shape.coding !== undefined) {
    const [only] = shape.coding;
    return shape.coding.length === 1 ? tokensOf(only, key) : shape.coding.flatMap((coding) => tokensOf(coding, key));
  }
  if (typeof shape.code !== "string" || typeof shape.system !== "string" || shape.type !== undefined)
    return termsOf(shape, key);
  return metTerms(key, shape.system, shape.code) ?? noteTerms(key, shape.system, shape.code, termsOf(shape, key));
}

function metTerms(key: string, system: string, code: string): readonly string[] | undefined {
  return met.get(key)?.get(system)?.get(code);
}

/** Codes and systems come from clients, so that at some number all are forgotten. */
function noteTerms(key: string, system: string, code: string, terms: readonly string[]): readonly string[] {
  if (countMet >= mostMet) {
    met.clear();
    countMet = 0;
  }
  const bySystem = met.get(key) ?? new Map<string, Map<string, readonly string[]>>();
  met.set(key, bySystem);
  const byCode = bySystem.get(system) ?? new Map<string, readonly string[]>();
  bySystem.set(system, byCode);
  byCode.set(code, terms);
  countMet += 1;
  return terms;
}

function termsOf(shape: TokenShape, key: string): string[] {
  const code = shape.code ?? shape.value;
  const withSystem = shape.system === undefined ? [] : [tokenTerm(key, shape.system, undefined)];
  if (typeof code !== "string") return withSystem;
  const ofType = (shape.type?.coding ?? []).flatMap((type) =>
    type.code === undefined ? [] : [ofTypeTerm(key, type.system ?? "", type.code, code)],
  );
  return [tokenTerm(key, undefined, code), tokenTerm(key, shape.system ?? "", code), ...withSystem, ...ofType];
}

function ofTypeTerm(key: string, system: string, code: string, value: string): string {
  return hash64(`${key}\nof-type\n${system}\n${code}\n${value}`);
}

/** Reads the value of `:of-type`, `system|code|value`, all three; undefined when one is missing (https://hl7.org/fhir/R4/search.html#token). */
export function ofTypeQuery(key: string, value: string): string | undefined {
  const [system = "", code = "", identifier = ""] = splitUnescaped(value, "|").map(unescaped);
  return system === "" || code === "" || identifier === "" ? undefined : ofTypeTerm(key, system, code, identifier);
}

/**
 * Reads a query value: `code`, `system|code`, `|code` (no system) or `system|` (any code of it) into the term to look
 * for (https://hl7.org/fhir/R4/search.html#token). A bar that belongs to a code is escaped.
 */
export function tokenQuery(key: string, value: string): string {
  const [system, code] = systemAndCode(value);
  return tokenTerm(key, system, code === "" ? undefined : code);
}

/** Parts of `system|code` without their escapes; the system is undefined when no bar is there. */
export function systemAndCode(value: string): [system: string | undefined, code: string] {
  const [first = "", ...rest] = splitUnescaped(value, "|");
  return rest.length === 0 ? [undefined, unescaped(first)] : [unescaped(first), unescaped(rest.join("|"))];
}
