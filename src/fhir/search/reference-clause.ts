import { accepted, type Result } from "../../domain/result.ts";
import { type ClauseContext, refusedModifier, refusedParameter } from "./clause-context.ts";
import { isHotPatient } from "./extract.ts";
import type { Parameter } from "./parameter.ts";
import type { Clause, TermsClause } from "./query.ts";
import { identifierQuery, referenceQuery, referenceTerm } from "./reference.ts";

/** Types that a bare id may be of: those switched on, or all the definition names when none of them is. */
export function targetTypes(context: ClauseContext, targets: readonly string[]): readonly string[] {
  const on = targets.filter((type) => context.definitions.has(type));
  return on.length === 0 ? targets : on;
}

/** Reads a reference condition: an id, `Type/id` or a url (https://hl7.org/fhir/R4/search.html#reference). */
export function referenceClause(
  context: ClauseContext,
  parameter: Parameter,
  name: string,
  modifier: string | undefined,
  values: readonly string[],
): Result<Clause> {
  if (modifier === "identifier") {
    const anyOf = parameter.atoms.flatMap((atom) => values.map((one) => identifierQuery(atom.key, one)));
    return accepted({ kind: "terms", anyOf, negate: false });
  }
  if (modifier !== undefined && !parameter.targets.includes(modifier))
    return refusedModifier(name, modifier, ["identifier", ...parameter.targets]);
  const targets = modifier === undefined ? targetTypes(context, parameter.targets) : [modifier];
  const references = values.map((one) => referenceQuery(one, targets, context.definitions.local));
  // With a type as modifier, a reference to another type cannot be meant.
  if (modifier !== undefined && references.flat().some((one) => !one.includes(`${modifier}/`)))
    return refusedParameter("value", name, `The value of ":${modifier}" is an id of a ${modifier}, or ${modifier}/id.`);
  const patients = references.map((one) =>
    one.length === 1 ? /^Patient\/([A-Za-z0-9\-.]{1,64})$/.exec(one[0] ?? "")?.[1] : undefined,
  );
  if (isHotPatient(parameter) && patients.every((id) => id !== undefined))
    return accepted({ kind: "patient", anyOf: patients });
  return accepted(termsOf(parameter, references.flat()));
}

/** The condition that any of these references is there. */
export function referenceTerms(
  context: ClauseContext,
  parameter: Pick<Parameter, "atoms" | "targets">,
  values: readonly string[],
): TermsClause {
  const targets = targetTypes(context, parameter.targets);
  return termsOf(
    parameter,
    values.flatMap((one) => referenceQuery(one, targets, context.definitions.local)),
  );
}

function termsOf(parameter: Pick<Parameter, "atoms">, references: readonly string[]): TermsClause {
  const anyOf = parameter.atoms.flatMap((atom) => references.map((one) => referenceTerm(atom.key, one)));
  return { kind: "terms", anyOf, negate: false };
}
