import { accepted, type Refusal, type Result, refused } from "../../domain/result.ts";
import type { Definitions } from "../definitions.ts";
import { clauseOf } from "./clause.ts";
import { dateTest } from "./date.ts";
import { splitUnescaped } from "./escape.ts";
import { isHotDate } from "./extract.ts";
import { inclusionOf } from "./inclusion.ts";
import { nearNames } from "./near-names.ts";
import type { Clause, Inclusion, RangeTest, SearchQuery, SortKey } from "./query.ts";

/** How a search is read. */
export interface ParseOptions {
  /** `Prefer: handling`: lenient ignores what it does not know and says so, strict refuses it. */
  readonly handling: "strict" | "lenient";
  readonly defaultCount: number;
  readonly maxCount: number;
  readonly nowMs: number;
}

interface Draft {
  clauses: Clause[];
  sort: SortKey[];
  inclusions: Inclusion[];
  count: number;
  total: SearchQuery["total"];
  summary?: NonNullable<SearchQuery["summary"]>;
  elements?: readonly string[];
  used: (readonly [string, string])[];
  ignored: { name: string; reason: string }[];
}

const mostParameters = 60;
const mostInclusions = 12;

/** Parameters that say how to answer and not what to find; the door reads them. */
const doorParameters = new Set(["_format", "_pretty", "_cursor"]);

/** Reads the parameters of a search of one type into a query (https://hl7.org/fhir/R4/search.html). */
export function parseSearch(
  definitions: Definitions,
  type: string,
  params: readonly (readonly [name: string, value: string])[],
  options: ParseOptions,
): Result<SearchQuery> {
  if (params.length > mostParameters) {
    return refused({
      kind: "too-costly",
      detail: `A search may have at most ${mostParameters} parameters.`,
      status: 400,
    });
  }
  const draft: Draft = {
    clauses: [],
    sort: [],
    inclusions: [],
    count: options.defaultCount,
    total: "none",
    used: [],
    ignored: [],
  };
  const refusals: Refusal[] = [];
  for (const [name, value] of params) {
    if (doorParameters.has(name)) continue;
    const answer = name.startsWith("_")
      ? readControl(definitions, type, name, value, draft, options)
      : readParameter(definitions, type, name, value, draft, options);
    if (answer === "unknown") {
      const reason = `${type} has no search parameter "${name.slice(0, 64)}".${nearHint(definitions, type, name)}`;
      if (options.handling === "strict")
        refusals.push({ kind: "not-supported", detail: reason, at: name, status: 400 });
      else draft.ignored.push({ name, reason });
    } else if (answer !== undefined) refusals.push(...answer);
    else draft.used.push([name, value]);
  }
  if (refusals.length > 0) return refused(...refusals);
  const { clauses, sort, inclusions, count, total, summary, elements, used, ignored } = draft;
  return accepted({
    type,
    clauses,
    sort: [...sort, { by: "id", descending: false }],
    count: summary === "count" ? 0 : count,
    total: summary === "count" || count === 0 ? "accurate" : total,
    inclusions,
    ...(summary === undefined ? {} : { summary }),
    ...(elements === undefined ? {} : { elements }),
    used,
    ignored,
  });
}

type Answer = undefined | "unknown" | readonly Refusal[];

function readParameter(
  definitions: Definitions,
  type: string,
  name: string,
  value: string,
  draft: Draft,
  options: ParseOptions,
): Answer {
  const clause = clauseOf(definitions, type, name, value, options.nowMs);
  if (clause === "unknown") return "unknown";
  if (!clause.ok) return clause.refusals;
  draft.clauses.push(clause.value);
  return undefined;
}

function readControl(
  definitions: Definitions,
  type: string,
  name: string,
  value: string,
  draft: Draft,
  options: ParseOptions,
): Answer {
  switch (name) {
    case "_id": {
      const ids = splitUnescaped(value, ",");
      if (ids.some((id) => !/^[A-Za-z0-9\-.]{1,64}$/.test(id)))
        return bad(name, "An id has 1 to 64 letters, digits, hyphens and dots.");
      draft.clauses.push({ kind: "id", anyOf: ids });
      return undefined;
    }
    case "_lastUpdated": {
      const tests: RangeTest[] = [];
      for (const one of value.split(",")) {
        const test = dateTest(one, options.nowMs);
        if (!test.ok) return at(test.refusals, name);
        tests.push(test.value);
      }
      draft.clauses.push({ kind: "date", column: "last-updated", anyOf: tests });
      return undefined;
    }
    case "_count": {
      const count = Number(value);
      if (!/^\d{1,9}$/.test(value)) return bad(name, "_count is a whole number.");
      draft.count = Math.min(count, options.maxCount);
      return undefined;
    }
    case "_sort":
      return readSort(definitions, type, value, draft);
    case "_total":
      if (value !== "none" && value !== "estimate" && value !== "accurate")
        return bad(name, "_total is none, estimate or accurate.");
      draft.total = value;
      return undefined;
    case "_summary":
      if (!["true", "text", "data", "count", "false"].includes(value))
        return bad(name, "_summary is true, text, data, count or false.");
      draft.summary = value as NonNullable<SearchQuery["summary"]>;
      return undefined;
    case "_elements":
      if (!/^\w+(,\w+)*$/.test(value)) return bad(name, "_elements lists top-level elements: status,code.");
      draft.elements = value.split(",");
      return undefined;
    case "_include":
    case "_include:iterate":
    case "_revinclude":
    case "_revinclude:iterate": {
      if (draft.inclusions.length >= mostInclusions)
        return bad(name, `A search may have at most ${mostInclusions} inclusions.`);
      const inclusion = inclusionOf(definitions, name, value);
      if (!inclusion.ok) return inclusion.refusals;
      draft.inclusions.push(inclusion.value);
      return undefined;
    }
    default:
      return readParameter(definitions, type, name, value, draft, options);
  }
}

function readSort(definitions: Definitions, type: string, value: string, draft: Draft): Answer {
  for (const one of value.split(",")) {
    const descending = one.startsWith("-");
    const code = descending ? one.slice(1) : one;
    const by = sortBy(definitions, type, code);
    if (by === undefined)
      return bad(
        "_sort",
        `${type} cannot be sorted by "${code.slice(0, 64)}". Sort by _id, _lastUpdated, or a date or string parameter.`,
      );
    draft.sort.push({ by, descending });
  }
  return undefined;
}

function sortBy(definitions: Definitions, type: string, code: string): SortKey["by"] | undefined {
  if (code === "_id") return "id";
  if (code === "_lastUpdated") return "last-updated";
  const parameter = definitions.parameters(type).get(code);
  if (parameter === undefined) return undefined;
  if (isHotDate(type, parameter)) return "hot-date";
  const keys = parameter.atoms.map((atom) => atom.key);
  if (parameter.kind === "date") return { dateKeys: keys };
  return parameter.kind === "string" ? { stringKeys: keys } : undefined;
}

function bad(name: string, detail: string): readonly Refusal[] {
  return [{ kind: "value", detail, at: name, status: 400 }];
}

function at(refusals: readonly Refusal[], name: string): readonly Refusal[] {
  return refusals.map((refusal) => ({ ...refusal, at: name }));
}

function nearHint(definitions: Definitions, type: string, name: string): string {
  const near = nearNames(name.split(/[:.]/)[0] ?? "", [...definitions.parameters(type).keys()]);
  return near.length === 0 ? "" : ` Near it: ${near.join(", ")}.`;
}
