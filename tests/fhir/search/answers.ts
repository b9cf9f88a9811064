import type { Resource } from "@medplum/fhirtypes";
import type { Definitions } from "../../../src/fhir/definitions.ts";
import { clauseOf } from "../../../src/fhir/search/clause.ts";
import type { ClauseContext } from "../../../src/fhir/search/clause-context.ts";
import { numberMatches, rangeMatches } from "../../../src/fhir/search/compare.ts";
import { extractIndexValues } from "../../../src/fhir/search/extract.ts";
import type { IndexValues, QuantityEntry } from "../../../src/fhir/search/index-values.ts";
import type { Clause, Link, QuantityClause } from "../../../src/fhir/search/query.ts";
import { referenceTerm } from "../../../src/fhir/search/reference.ts";
import { foldString } from "../../../src/fhir/search/string.ts";

type Of<Kind extends Clause["kind"]> = Extract<Clause, { kind: Kind }>;

/** A context for reading conditions at a fixed time. */
export function contextOf(definitions: Definitions, linksLeft = 3): ClauseContext {
  return { definitions, nowMs: Date.UTC(2026, 5, 1), linksLeft };
}

/** The condition that a parameter is read into. */
export function clause(context: ClauseContext, type: string, name: string, value: string): Clause {
  const read = clauseOf(context, type, name, value);
  if (read === "unknown" || !read.ok) throw new Error(`${name}=${value} is not read: ${JSON.stringify(read)}`);
  return read.value;
}

/** The first refusal of a parameter. */
export function refusal(context: ClauseContext, type: string, name: string, value: string) {
  const read = clauseOf(context, type, name, value);
  if (read === "unknown" || read.ok) throw new Error(`${name}=${value} is not refused`);
  return read.refusals[0];
}

/** What the store does with a parameter, on one resource among others: the twin of its SQL. */
export function answers(
  definitions: Definitions,
  resource: Resource,
  name: string,
  value: string,
  others: readonly Resource[] = [],
): boolean {
  const asked = clause(contextOf(definitions), resource.resourceType, name, value);
  return meets(definitions, resource, asked, others);
}

/** Whether a resource among others meets a condition. */
export function meets(
  definitions: Definitions,
  resource: Resource,
  asked: Clause,
  others: readonly Resource[],
): boolean {
  const index = extractIndexValues(definitions, resource);
  const meetsOne = (one: Clause) => meets(definitions, resource, one, others);
  switch (asked.kind) {
    case "id":
      return asked.anyOf.includes(resource.id ?? "");
    case "patient":
      return asked.anyOf.includes(index.hot.patientId ?? "");
    case "terms":
      return asked.anyOf.some((term) => index.terms.includes(term)) !== asked.negate;
    case "string":
      return meetsString(index, asked);
    case "date":
      return meetsDate(index, resource, asked);
    case "quantity":
      return meetsQuantity(index.quantities, asked);
    case "body":
      return meetsBody(resource, asked);
    case "all":
      return asked.of.every(meetsOne);
    case "any":
      return asked.of.some(meetsOne);
    case "together":
      return meetsTogether(index, asked);
    case "chain":
      return ofType(others, asked.type).some(
        (one) =>
          pointsTo(index, asked.link, one) && asked.clauses.every((inner) => meets(definitions, one, inner, others)),
      );
    case "has":
      return ofType(others, asked.type).some(
        (one) =>
          pointsTo(extractIndexValues(definitions, one), asked.link, resource) &&
          asked.clauses.every((inner) => meets(definitions, one, inner, others)),
      );
  }
}

function ofType(resources: readonly Resource[], type: string): readonly Resource[] {
  return resources.filter((one) => one.resourceType === type);
}

function pointsTo(index: IndexValues, link: Link, target: Resource): boolean {
  if (link === "patient") return index.hot.patientId === target.id;
  return link.keys.some((key) => index.terms.includes(referenceTerm(key, `${target.resourceType}/${target.id}`)));
}

function meetsString(index: IndexValues, { keys, match, anyOf }: Of<"string">): boolean {
  const meetsText = (entry: { folded: string; exact: string }, text: string) => {
    if (match === "exact") return entry.exact === text;
    return match === "contains" ? entry.folded.includes(text) : entry.folded.startsWith(text);
  };
  return index.strings.some((entry) => keys.includes(entry.key) && anyOf.some((text) => meetsText(entry, text)));
}

function meetsDate(index: IndexValues, resource: Resource, { column, anyOf }: Of<"date">): boolean {
  const { startMs, endMs } = index.hot;
  const changedMs = Date.parse(resource.meta?.lastUpdated ?? "");
  const hot = startMs === undefined || endMs === undefined ? [] : [{ lowMs: startMs, highMs: endMs }];
  const single = column === "hot" ? hot : [{ lowMs: changedMs, highMs: changedMs + 1 }];
  const ranges = typeof column === "object" ? index.dates.filter((entry) => column.keys.includes(entry.key)) : single;
  return ranges.some((entry) => anyOf.some((one) => rangeMatches(one, entry.lowMs, entry.highMs)));
}

function meetsQuantity(entries: readonly QuantityEntry[], { keys, anyOf }: QuantityClause): boolean {
  return entries.some(
    (entry) =>
      keys.includes(entry.key) &&
      anyOf.some((one) => one.unit === entry.unit && numberMatches(one, entry.low, entry.high)),
  );
}

/** Parts of one element: of the resource where nothing repeats, of one place otherwise. */
function meetsTogether(index: IndexValues, { terms, quantities }: Of<"together">): boolean {
  const placed = index.quantities.filter((entry) => entry.place !== undefined);
  if (index.placeTerms.length === 0 && placed.length === 0)
    return (
      terms.every((one) => one.anyOf.some((term) => index.terms.includes(term))) &&
      quantities.every((one) => meetsQuantity(index.quantities, one))
    );
  return Array.from({ length: 16 }, (_, place) => place).some(
    (place) =>
      terms.every((one) =>
        one.anyOf.some((term) => index.placeTerms.includes((BigInt(term) ^ BigInt(place)).toString())),
      ) &&
      quantities.every((one) =>
        meetsQuantity(
          placed.filter((entry) => entry.place === place),
          one,
        ),
      ),
  );
}

function meetsBody(resource: Resource, { paths, match, anyOf }: Of<"body">): boolean {
  const texts = paths.flatMap((path) => textsAt(resource, path));
  return texts.some((text) =>
    anyOf.some((asked) =>
      match === "text"
        ? foldString(text).startsWith(asked)
        : text === asked || text.startsWith(asked.endsWith("/") ? asked : `${asked}/`),
    ),
  );
}

/** Texts that a jsonpath of quoted names leads to, lists looked into as PostgreSQL's lax mode does. */
function textsAt(resource: Resource, path: string): string[] {
  const names = [...path.matchAll(/\."([^"]+)"/g)].map((match) => match[1] ?? "");
  const found = names.reduce<unknown[]>(
    (values, name) => values.flatMap((value) => (value as Record<string, unknown> | null)?.[name] ?? []),
    [resource],
  );
  return found.filter((value): value is string => typeof value === "string");
}
