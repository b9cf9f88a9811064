import type { Definitions } from "./definitions.ts";
import { readingLimits, type Scope } from "./scopes.ts";
import { splitUnescaped } from "./search/escape.ts";
import { tokenTerms } from "./search/token-clause.ts";

/** Types that are read under limits alone, and the terms of which a resource of such a type must have one. */
export interface TermLimits {
  readonly types: readonly string[];
  /** Signed 64-bit numbers as text; each is of one type and one parameter. */
  readonly terms: readonly string[];
}

/**
 * What the limits of the scopes ask of the store; undefined where no type is limited. A limit that cannot be read any more
 * (another version of the definitions) lets nothing pass.
 */
export function termLimits(definitions: Definitions, scopes: readonly Scope[]): TermLimits | undefined {
  const limits = readingLimits(scopes);
  if (limits.length === 0) return undefined;
  return {
    types: [...new Set(limits.map(({ type }) => type))].sort(),
    terms: limits.flatMap(({ type, limit }) => limitTerms(definitions, type, limit) ?? []),
  };
}

/** Terms of which one limit, `category=survey,exam`, asks one; undefined where it names no parameter of kind token of the type. */
export function limitTerms(definitions: Definitions, type: string, limit: string): readonly string[] | undefined {
  const [[name = "", value = ""] = []] = new URLSearchParams(limit.replaceAll("+", "%2B"));
  const parameter = definitions.parameters(type).get(name);
  return parameter?.kind === "token" ? tokenTerms(parameter, splitUnescaped(value, ",")).anyOf : undefined;
}
