import { accepted, type Result } from "../../domain/result.ts";
import { type ClauseContext, refusedParameter } from "./clause-context.ts";
import { isHotPatient } from "./extract.ts";
import type { Parameter } from "./parameter.ts";
import type { Clause, Link } from "./query.ts";
import { targetTypes } from "./reference-clause.ts";

/** Reads one condition of a type that a link leads to: `clauseOf`, which itself reads chains. */
type ReadClause = (context: ClauseContext, type: string, name: string, value: string) => Result<Clause> | "unknown";

/**
 * Reads `subject:Patient.name` or `subject.name`, over several links (https://hl7.org/fhir/R4/search.html#chaining).
 * Without a type, every switched-on target that has the parameter behind the dot is meant.
 */
export function chainClause(
  readClause: ReadClause,
  context: ClauseContext,
  type: string,
  name: string,
  value: string,
): Result<Clause> | "unknown" {
  const dot = name.indexOf(".");
  const [code = "", asked, ...more] = name.slice(0, dot).split(":");
  const rest = name.slice(dot + 1);
  const parameter = context.definitions.parameters(type).get(code);
  if (parameter === undefined) return "unknown";
  if (more.length > 0)
    return refusedParameter("value", name, "Before the dot stands a reference, or a reference and one type.");
  if (parameter.kind !== "reference")
    return refusedParameter("value", name, `"${code}" is no reference, so nothing can be chained to it.`);
  if (asked !== undefined && !(parameter.targets.includes(asked) && context.definitions.has(asked)))
    return refusedParameter("value", name, `"${code}" does not point to a ${asked.slice(0, 64)} here.`);
  const inside = deeper(context, name);
  if (!inside.ok) return inside;
  const targets = asked === undefined ? targetTypes(context, parameter.targets) : [asked];
  const of: Clause[] = [];
  for (const target of targets.filter((one) => context.definitions.has(one))) {
    const clause = readClause(inside.value, target, rest, value);
    if (clause === "unknown") continue;
    // A value that one target cannot read, another may; what no target can read is refused below.
    if (!clause.ok) {
      if (targets.length === 1) return clause;
      continue;
    }
    of.push({ kind: "chain", link: linkOf(parameter, target), type: target, clauses: [clause.value] });
  }
  if (of.length === 0)
    return refusedParameter(
      "not-supported",
      name,
      `No type that "${code}" points to can be searched by "${rest.slice(0, 64)}" with this value.`,
    );
  return accepted(of.length === 1 && of[0] !== undefined ? of[0] : { kind: "any", of });
}

/** Reads `_has:Observation:patient:code`, nested likewise (https://hl7.org/fhir/R4/search.html#has). */
export function hasClause(
  readClause: ReadClause,
  context: ClauseContext,
  type: string,
  name: string,
  value: string,
): Result<Clause> {
  const [, source = "", code = "", ...rest] = name.split(":");
  const parameter = context.definitions.has(source) ? context.definitions.parameters(source).get(code) : undefined;
  if (parameter?.kind !== "reference" || rest.length === 0)
    return refusedParameter(
      "value",
      name,
      '"_has" is written _has:Type:reference:parameter, for instance _has:Observation:patient:code.',
    );
  if (parameter.targets.length > 0 && !parameter.targets.includes(type))
    return refusedParameter("value", name, `"${code}" of ${source} does not point to a ${type}.`);
  const inside = deeper(context, name);
  if (!inside.ok) return inside;
  const clause = readClause(inside.value, source, rest.join(":"), value);
  if (clause === "unknown")
    return refusedParameter(
      "not-supported",
      name,
      `${source} has no search parameter "${rest.join(":").slice(0, 64)}".`,
    );
  if (!clause.ok) return clause;
  return accepted({ kind: "has", link: linkOf(parameter, type), type: source, clauses: [clause.value] });
}

/** `_list=42`: what the List with this id names (https://hl7.org/fhir/R4/search.html#list). */
export function listClause(
  readClause: ReadClause,
  context: ClauseContext,
  type: string,
  value: string,
): Result<Clause> | "unknown" {
  if (!context.definitions.has("List")) return "unknown";
  return hasClause(readClause, context, type, "_has:List:item:_id", value.replace(/^List\//, ""));
}

function deeper(context: ClauseContext, name: string): Result<ClauseContext> {
  return context.linksLeft > 0
    ? accepted({ ...context, linksLeft: context.linksLeft - 1 })
    : refusedParameter("too-costly", name, "The chain has more links than this service follows. Search in two steps.");
}

function linkOf(parameter: Parameter, target: string): Link {
  return target === "Patient" && isHotPatient(parameter)
    ? "patient"
    : { keys: parameter.atoms.map((atom) => atom.key) };
}
