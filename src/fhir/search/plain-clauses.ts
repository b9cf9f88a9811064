import { accepted, type Result } from "../../domain/result.ts";
import { bodyPaths } from "./body-paths.ts";
import { named, refusedModifier, refusedParameter } from "./clause-context.ts";
import { dateTest } from "./date.ts";
import { unescaped } from "./escape.ts";
import { isHotDate } from "./extract.ts";
import type { Parameter } from "./parameter.ts";
import { type QuantityTest, quantityTests } from "./quantity.ts";
import type { Clause, QuantityClause, RangeTest } from "./query.ts";
import { foldString } from "./string.ts";
import { aboveUris, uriTerm } from "./uri.ts";

/** The part of a parameter that says where its values stand. */
type Place = Pick<Parameter, "code" | "atoms">;

const keysOf = (parameter: Place) => parameter.atoms.map((atom) => atom.key);

/** Reads a string condition (https://hl7.org/fhir/R4/search.html#string). */
export function stringClause(
  parameter: Place,
  name: string,
  modifier: string | undefined,
  values: readonly string[],
): Result<Clause> {
  if (modifier !== undefined && modifier !== "exact" && modifier !== "contains")
    return refusedModifier(name, modifier, ["exact", "contains"]);
  const match = modifier ?? "prefix";
  const anyOf = values.map((one) => (match === "exact" ? unescaped(one) : foldString(unescaped(one))));
  // An empty text would be the start of every other.
  if (anyOf.includes("")) return refusedParameter("value", name, "The value has no letter or digit to look for.");
  return accepted({ kind: "string", keys: keysOf(parameter), match, anyOf });
}

/** Reads a date condition (https://hl7.org/fhir/R4/search.html#date). */
export function dateClause(
  type: string,
  parameter: Place,
  name: string,
  values: readonly string[],
  nowMs: number,
): Result<Clause> {
  const tests = dateTests(name, values, nowMs);
  if (!tests.ok) return tests;
  const column = isHotDate(type, parameter) ? "hot" : { keys: keysOf(parameter) };
  return accepted({ kind: "date", column, anyOf: tests.value });
}

/** Reads the dates of one condition, each with its prefix. */
export function dateTests(name: string, values: readonly string[], nowMs: number): Result<readonly RangeTest[]> {
  const tests: RangeTest[] = [];
  for (const one of values) {
    const test = dateTest(one, nowMs);
    if (!test.ok) return named(test.refusals, name);
    tests.push(test.value);
  }
  return accepted(tests);
}

/** Reads a condition on a number or quantity (https://hl7.org/fhir/R4/search.html#quantity). */
export function quantityClause(parameter: Place, name: string, values: readonly string[]): Result<QuantityClause> {
  const tests: QuantityTest[] = [];
  for (const one of values) {
    const read = quantityTests(one);
    if (!read.ok) return named(read.refusals, name);
    tests.push(...read.value);
  }
  return accepted({ kind: "quantity", keys: keysOf(parameter), anyOf: tests });
}

/** Reads a condition on a uri, whole, `:above` or `:below` (https://hl7.org/fhir/R4/search.html#uri). */
export function uriClause(
  parameter: Place,
  name: string,
  modifier: string | undefined,
  values: readonly string[],
): Result<Clause> {
  const uris = values.map(unescaped);
  if (modifier === "below") {
    const paths = bodyPaths(parameter.atoms, [""]);
    return paths === undefined
      ? refusedModifier(name, modifier, ["above"])
      : accepted({ kind: "body", paths, match: "below", anyOf: uris });
  }
  if (modifier !== undefined && modifier !== "above") return refusedModifier(name, modifier, ["above", "below"]);
  const wanted = modifier === "above" ? uris.flatMap(aboveUris) : uris;
  const anyOf = parameter.atoms.flatMap((atom) => wanted.map((uri) => uriTerm(atom.key, uri)));
  return accepted({ kind: "terms", anyOf, negate: false });
}
