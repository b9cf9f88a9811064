import { accepted, type Result } from "../../domain/result.ts";
import { codesOf } from "../terminology/value-set-codes.ts";
import { bodyPaths } from "./body-paths.ts";
import { refusedModifier, refusedParameter } from "./clause-context.ts";
import { unescaped } from "./escape.ts";
import type { Parameter } from "./parameter.ts";
import type { Clause, TermsClause } from "./query.ts";
import { foldString } from "./string.ts";
import { ofTypeQuery, tokenQuery, tokenTerm } from "./token.ts";

const modifiers = ["not", "text", "of-type", "in", "not-in"];

/** The most codes that a value set of `:in` may have. */
const mostCodes = 5_000;

/** Texts of a code or an identifier that `:text` looks at (https://hl7.org/fhir/R4/search.html#modifiers). */
const textsBelow = ['."text"', '."coding"."display"', '."display"', '."type"."text"'];

/** Reads a token condition (https://hl7.org/fhir/R4/search.html#token). */
export function tokenClause(
  parameter: Pick<Parameter, "atoms">,
  name: string,
  modifier: string | undefined,
  values: readonly string[],
): Result<Clause> {
  switch (modifier) {
    case undefined:
    case "not":
      return accepted(tokenTerms(parameter, values, modifier === "not"));
    case "text":
      return textClause(parameter, name, values);
    case "of-type":
      return ofTypeClause(parameter, name, values);
    case "in":
    case "not-in":
      return inClause(parameter, name, values, modifier === "not-in");
    default:
      return refusedModifier(name, modifier, modifiers);
  }
}

/** The condition that any of these codes is there, or that none of them is. */
export function tokenTerms(
  parameter: Pick<Parameter, "atoms">,
  values: readonly string[],
  negate = false,
): TermsClause {
  const anyOf = parameter.atoms.flatMap((atom) => values.map((one) => tokenQuery(atom.key, one)));
  return { kind: "terms", anyOf, negate };
}

function textClause(parameter: Pick<Parameter, "atoms">, name: string, values: readonly string[]): Result<Clause> {
  const paths = bodyPaths(parameter.atoms, textsBelow);
  if (paths === undefined) return refusedModifier(name, "text", ["not"]);
  const anyOf = values.map((one) => foldString(unescaped(one)));
  if (anyOf.includes("")) return refusedParameter("value", name, "The value has no letter or digit to look for.");
  return accepted({ kind: "body", paths, match: "text", anyOf });
}

function ofTypeClause(parameter: Pick<Parameter, "atoms">, name: string, values: readonly string[]): Result<Clause> {
  const anyOf: string[] = [];
  for (const { key } of parameter.atoms) {
    for (const one of values) {
      const term = ofTypeQuery(key, one);
      if (term === undefined)
        return refusedParameter("value", name, 'The value of ":of-type" is system|code|value, all three.');
      anyOf.push(term);
    }
  }
  return accepted({ kind: "terms", anyOf, negate: false });
}

function inClause(
  parameter: Pick<Parameter, "atoms">,
  name: string,
  values: readonly string[],
  negate: boolean,
): Result<Clause> {
  const anyOf: string[] = [];
  for (const url of values.map(unescaped)) {
    const systems = codesOf(url);
    if (systems === undefined) {
      const detail = `The value set "${url.slice(0, 128)}" is not known here, or its codes cannot be listed. ValueSet/$expand says which are.`;
      return refusedParameter("not-found", name, detail);
    }
    for (const [system, codes] of systems) {
      for (const code of codes.keys()) {
        // A code element has no system of its own: the element's definition implies it.
        for (const { key } of parameter.atoms) anyOf.push(tokenTerm(key, system, code), tokenTerm(key, "", code));
      }
    }
    if (anyOf.length > mostCodes * 2 * parameter.atoms.length)
      return refusedParameter("too-costly", name, `A value set of at most ${mostCodes} codes may be asked for.`);
  }
  return accepted({ kind: "terms", anyOf, negate });
}
