import { hash64 } from "./atoms.ts";

interface TokenShape {
  readonly system?: string;
  readonly code?: string;
  readonly value?: string;
  readonly coding?: readonly TokenShape[];
}

/** The stored term for a code of a system under an atom; `system` undefined matches any, "" none. */
export function tokenTerm(key: string, system: string | undefined, code: string | undefined): string {
  if (system === undefined) return hash64(`${key}\ncode\n${code}`);
  if (code === undefined) return hash64(`${key}\nsystem\n${system}`);
  return hash64(`${key}\ntoken\n${system}\n${code}`);
}

/** What to index of a code, boolean, Coding, CodeableConcept, Identifier or ContactPoint. */
export function tokensOf(value: unknown, key: string): string[] {
  if (typeof value === "string" || typeof value === "boolean") {
    return [tokenTerm(key, undefined, String(value)), tokenTerm(key, "", String(value))];
  }
  if (typeof value !== "object" || value === null) return [];
  const shape = value as TokenShape;
  if (shape.coding !== undefined) return shape.coding.flatMap((coding) => tokensOf(coding, key));
  const code = shape.code ?? shape.value;
  const withSystem = shape.system === undefined ? [] : [tokenTerm(key, shape.system, undefined)];
  if (code === undefined) return withSystem;
  return [tokenTerm(key, undefined, code), tokenTerm(key, shape.system ?? "", code), ...withSystem];
}

/** Reads a query value: `code`, `system|code`, `|code` (no system) or `system|` (any code) into the term to look for. */
export function tokenQuery(key: string, value: string): string {
  const bar = splitAtBar(value);
  if (bar === undefined) return tokenTerm(key, undefined, value);
  const [system, code] = bar;
  return tokenTerm(key, system, code === "" ? undefined : code);
}

/** Splits at the first `|`; undefined when there is none. */
export function splitAtBar(value: string): [string, string] | undefined {
  const bar = value.indexOf("|");
  return bar < 0 ? undefined : [value.slice(0, bar), value.slice(bar + 1)];
}
