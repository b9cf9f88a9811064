import { accepted, type Result } from "../../domain/result.ts";
import { type ClauseContext, refusedParameter } from "./clause-context.ts";
import type { CompositePart, CompositeRoot } from "./composite.ts";
import { splitUnescaped } from "./escape.ts";
import type { Parameter } from "./parameter.ts";
import { dateClause, quantityClause, stringClause, uriClause } from "./plain-clauses.ts";
import type { Clause, QuantityClause, TermsClause } from "./query.ts";
import { referenceTerms } from "./reference-clause.ts";
import { tokenTerms } from "./token-clause.ts";

/**
 * Reads a composite condition: values joined by `$`, one for each part, all of which must stand in one element
 * (https://hl7.org/fhir/R4/search.html#combining).
 */
export function compositeClause(
  context: ClauseContext,
  type: string,
  parameter: Parameter,
  name: string,
  values: readonly string[],
): Result<Clause> {
  const of: Clause[] = [];
  for (const value of values) {
    const parts = splitUnescaped(value, "$");
    for (const root of parameter.roots) {
      const read = rootClause(context, type, root, name, parts);
      if (!read.ok) return read;
      of.push(read.value);
    }
  }
  return accepted(of.length === 1 && of[0] !== undefined ? of[0] : { kind: "any", of });
}

function rootClause(
  context: ClauseContext,
  type: string,
  root: CompositeRoot,
  name: string,
  values: readonly string[],
): Result<Clause> {
  if (values.length !== root.parts.length || values.includes("")) {
    const kinds = root.parts.map((part) => part.kind).join("$");
    return refusedParameter("value", name, `The value has ${root.parts.length} parts joined by "$": ${kinds}.`);
  }
  const clauses: Clause[] = [];
  for (const [i, part] of root.parts.entries()) {
    const read = partClause(context, type, part, name, values[i] ?? "");
    if (!read.ok) return read;
    clauses.push(read.value);
  }
  if (root.whole) return accepted({ kind: "all", of: clauses });
  const terms = clauses.filter((one): one is TermsClause => one.kind === "terms");
  const quantities = clauses.filter((one): one is QuantityClause => one.kind === "quantity");
  if (terms.length + quantities.length !== clauses.length)
    throw new Error(`${root.path} joins a kind of value that has no place`);
  return accepted({ kind: "together", terms, quantities });
}

function partClause(
  context: ClauseContext,
  type: string,
  part: CompositePart,
  name: string,
  value: string,
): Result<Clause> {
  const place = { code: "", atoms: part.atoms };
  switch (part.kind) {
    case "token":
      return accepted(tokenTerms(place, [value]));
    case "reference":
      return accepted(referenceTerms(context, { ...place, targets: [] }, [value]));
    case "uri":
      return uriClause(place, name, undefined, [value]);
    case "string":
      return stringClause(place, name, undefined, [value]);
    case "date":
      return dateClause(type, place, name, [value], context.nowMs);
    case "number":
    case "quantity":
      return quantityClause(place, name, [value]);
    case "composite":
      throw new Error("R4 has no composite of composites");
  }
}
