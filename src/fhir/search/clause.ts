import { accepted, type Refusal, type Result, refused } from "../../domain/result.ts";
import type { Definitions, Parameter } from "../definitions.ts";
import { dateTest } from "./date.ts";
import { splitUnescaped, unescaped } from "./escape.ts";
import { isHotDate, isHotPatient, presenceTerm } from "./extract.ts";
import { type QuantityTest, quantityTests } from "./quantity.ts";
import type { Clause, RangeTest } from "./query.ts";
import { identifierQuery, referenceQuery, referenceTerm } from "./reference.ts";
import { foldString } from "./string.ts";
import { tokenQuery } from "./token.ts";
import { uriTerm } from "./uri.ts";

const mostAlternatives = 200;

/** Reads one parameter with its modifier and its comma-separated alternatives; "unknown" when the type has no such parameter. */
export function clauseOf(
  definitions: Definitions,
  type: string,
  name: string,
  value: string,
  nowMs: number,
): Result<Clause> | "unknown" {
  if (name.includes(".") || name.startsWith("_has:")) {
    return no(
      "not-supported",
      name,
      "Chained search is not supported yet. Search the other type first and use the ids found.",
    );
  }
  const [code = "", modifier] = name.split(":", 2);
  const parameter = definitions.parameters(type).get(code);
  if (parameter === undefined) return "unknown";
  if (parameter.kind === "composite") return no("not-supported", name, "Composite parameters are not supported yet.");
  if (modifier === "missing") return missingClause(parameter, name, value);
  const values = splitUnescaped(value, ",");
  if (values.length > mostAlternatives)
    return no("too-costly", name, `At most ${mostAlternatives} alternatives may be asked for at once.`);
  if (values.some((one) => one === ""))
    return no("value", name, "The value is empty. Leave the parameter out or give it a value.");
  switch (parameter.kind) {
    case "token":
      return tokenClause(parameter, name, modifier, values);
    case "reference":
      return referenceClause(definitions, parameter, name, modifier, values);
    case "string":
      return stringClause(parameter, name, modifier, values);
    case "uri":
      if (modifier !== undefined) return noModifier(name, modifier);
      return accepted(terms(parameter, values, (key, one) => [uriTerm(key, unescaped(one))]));
    case "date":
      return modifier === undefined ? dateClause(type, parameter, name, values, nowMs) : noModifier(name, modifier);
    case "number":
    case "quantity":
      return modifier === undefined ? quantityClause(parameter, name, values) : noModifier(name, modifier);
  }
}

function terms(
  parameter: Parameter,
  values: readonly string[],
  of: (key: string, value: string) => string[],
  negate = false,
): Clause {
  return {
    kind: "terms",
    anyOf: parameter.atoms.flatMap((atom) => values.flatMap((value) => of(atom.key, value))),
    negate,
  };
}

function missingClause(parameter: Parameter, name: string, value: string): Result<Clause> {
  if (value !== "true" && value !== "false") return no("value", name, ":missing takes true or false.");
  return accepted({ kind: "terms", anyOf: parameter.atoms.map(presenceTerm), negate: value === "true" });
}

function tokenClause(
  parameter: Parameter,
  name: string,
  modifier: string | undefined,
  values: readonly string[],
): Result<Clause> {
  if (modifier !== undefined && modifier !== "not") return noModifier(name, modifier);
  return accepted(terms(parameter, values, (key, one) => [tokenQuery(key, one)], modifier === "not"));
}

/** Types that a bare id may be of: those switched on, or all the definition names when none of them is. */
function bareIdTypes(definitions: Definitions, parameter: Parameter): readonly string[] {
  const on = parameter.targets.filter((type) => definitions.has(type));
  return on.length === 0 ? parameter.targets : on;
}

function referenceClause(
  definitions: Definitions,
  parameter: Parameter,
  name: string,
  modifier: string | undefined,
  values: readonly string[],
): Result<Clause> {
  if (modifier === "identifier") return accepted(terms(parameter, values, (key, one) => [identifierQuery(key, one)]));
  if (modifier !== undefined && !parameter.targets.includes(modifier)) return noModifier(name, modifier);
  const targets = modifier === undefined ? bareIdTypes(definitions, parameter) : [modifier];
  const references = values.map((one) => referenceQuery(one, targets));
  // With a type as modifier, a reference to another type cannot be meant.
  if (modifier !== undefined && references.flat().some((one) => !one.includes(`${modifier}/`)))
    return no("value", name, `The value of ":${modifier}" is an id of a ${modifier}, or ${modifier}/id.`);
  const patients = references.map((one) =>
    one.length === 1 ? /^Patient\/([A-Za-z0-9\-.]{1,64})$/.exec(one[0] ?? "")?.[1] : undefined,
  );
  if (isHotPatient(parameter) && patients.every((id) => id !== undefined))
    return accepted({ kind: "patient", anyOf: patients });
  return accepted(terms(parameter, references.flat(), (key, one) => [referenceTerm(key, one)]));
}

function stringClause(
  parameter: Parameter,
  name: string,
  modifier: string | undefined,
  values: readonly string[],
): Result<Clause> {
  if (modifier !== undefined && modifier !== "exact" && modifier !== "contains") return noModifier(name, modifier);
  const match = modifier ?? "prefix";
  const keys = parameter.atoms.map((atom) => atom.key);
  const anyOf = values.map((one) => (match === "exact" ? unescaped(one) : foldString(unescaped(one))));
  // An empty text would be the start of every other.
  if (anyOf.includes("")) return no("value", name, "The value has no letter or digit to look for.");
  // No FHIR string has it (https://hl7.org/fhir/R4/datatypes.html#string), and PostgreSQL takes no text with it.
  if (anyOf.some((one) => one.includes("\u0000"))) return no("value", name, "A FHIR string has no NUL character.");
  return accepted({ kind: "string", keys, match, anyOf });
}

function dateClause(
  type: string,
  parameter: Parameter,
  name: string,
  values: readonly string[],
  nowMs: number,
): Result<Clause> {
  const tests: RangeTest[] = [];
  for (const one of values) {
    const test = dateTest(one, nowMs);
    if (!test.ok) return named(test.refusals, name);
    tests.push(test.value);
  }
  const column = isHotDate(type, parameter) ? "hot" : { keys: parameter.atoms.map((atom) => atom.key) };
  return accepted({ kind: "date", column, anyOf: tests });
}

function quantityClause(parameter: Parameter, name: string, values: readonly string[]): Result<Clause> {
  const tests: QuantityTest[] = [];
  for (const one of values) {
    const read = quantityTests(one);
    if (!read.ok) return named(read.refusals, name);
    tests.push(...read.value);
  }
  return accepted({ kind: "quantity", keys: parameter.atoms.map((atom) => atom.key), anyOf: tests });
}

function named(refusals: readonly Refusal[], name: string): Result<never> {
  return refused(...refusals.map((refusal) => ({ ...refusal, at: name })));
}

function no(kind: Refusal["kind"], name: string, detail: string): Result<never> {
  return refused({ kind, detail, at: name, status: 400 });
}

function noModifier(name: string, modifier: string): Result<never> {
  return no("not-supported", name, `The modifier ":${modifier.slice(0, 32)}" is not supported for this parameter.`);
}
