import { accepted, type Result } from "../../domain/result.ts";
import { chainClause, hasClause, listClause } from "./chain.ts";
import { alternatives, type ClauseContext, refusedModifier, refusedParameter } from "./clause-context.ts";
import { compositeClause } from "./composite-clause.ts";
import { presenceTerm } from "./extract.ts";
import type { Parameter } from "./parameter.ts";
import { dateClause, dateTests, quantityClause, stringClause, uriClause } from "./plain-clauses.ts";
import type { Clause } from "./query.ts";
import { referenceClause } from "./reference-clause.ts";
import { tokenClause } from "./token-clause.ts";

/** Reads one parameter with its modifier and its comma-separated alternatives; "unknown" when the type has no such parameter. */
export function clauseOf(
  context: ClauseContext,
  type: string,
  name: string,
  value: string,
): Result<Clause> | "unknown" {
  if (name.startsWith("_has:")) return hasClause(clauseOf, context, type, name, value);
  if (name.includes(".")) return chainClause(clauseOf, context, type, name, value);
  if (name === "_id" || name === "_lastUpdated") return columnClause(context, name, value);
  if (name === "_list") return listClause(clauseOf, context, type, value);
  const [code = "", ...modifiers] = name.split(":");
  const [modifier] = modifiers;
  // Refused even where what is unknown is ignored (https://hl7.org/fhir/R4/search.html#modifiers).
  if (code === "_id" || code === "_lastUpdated" || code === "_list")
    return refusedParameter("not-supported", name, `"${code}" takes no modifier.`);
  const parameter = context.definitions.parameters(type).get(code);
  if (parameter === undefined) return "unknown";
  if (modifiers.length > 1) return refusedParameter("value", name, "A parameter takes one modifier.");
  if (modifier === "missing") return missingClause(parameter, name, value);
  const values = alternatives(name, value);
  return values.ok ? clauseOfKind(context, type, parameter, { name, modifier, values: values.value }) : values;
}

function clauseOfKind(
  context: ClauseContext,
  type: string,
  parameter: Parameter,
  asked: { readonly name: string; readonly modifier: string | undefined; readonly values: readonly string[] },
): Result<Clause> {
  const { name, modifier, values } = asked;
  switch (parameter.kind) {
    case "token":
      return tokenClause(parameter, name, modifier, values);
    case "reference":
      return referenceClause(context, parameter, name, modifier, values);
    case "string":
      return stringClause(parameter, name, modifier, values);
    case "uri":
      return uriClause(parameter, name, modifier, values);
    default:
      break;
  }
  if (modifier !== undefined) return refusedModifier(name, modifier, []);
  switch (parameter.kind) {
    case "date":
      return dateClause(type, parameter, name, values, context.nowMs);
    case "composite":
      return compositeClause(context, type, parameter, name, values);
    case "number":
    case "quantity":
      return quantityClause(parameter, name, values);
  }
}

/** `_id` and `_lastUpdated` are columns of the store. */
function columnClause(context: ClauseContext, name: string, value: string): Result<Clause> {
  const values = alternatives(name, value);
  if (!values.ok) return values;
  if (name === "_id") {
    return values.value.every((id) => /^[A-Za-z0-9\-.]{1,64}$/.test(id))
      ? accepted({ kind: "id", anyOf: values.value })
      : refusedParameter("value", name, "An id has 1 to 64 letters, digits, hyphens and dots.");
  }
  const tests = dateTests(name, values.value, context.nowMs);
  return tests.ok ? accepted({ kind: "date", column: "last-updated", anyOf: tests.value }) : tests;
}

function missingClause(parameter: Parameter, name: string, value: string): Result<Clause> {
  if (value !== "true" && value !== "false") return refusedParameter("value", name, ":missing takes true or false.");
  if (parameter.kind === "composite")
    return refusedParameter("not-supported", name, "A composite is neither there nor missing: ask for its parts.");
  return accepted({ kind: "terms", anyOf: parameter.atoms.map(presenceTerm), negate: value === "true" });
}
