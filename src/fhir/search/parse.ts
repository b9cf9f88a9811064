import { accepted, type Refusal, type Result, refused } from "../../domain/result.ts";
import type { Definitions } from "../definitions.ts";
import { clauseOf } from "./clause.ts";
import { compartmentClause } from "./compartment-clause.ts";
import { inclusionOf } from "./inclusion.ts";
import { nearNames } from "./near-names.ts";
import type { Branch, Clause, Inclusion, SearchQuery, SortKey } from "./query.ts";
import { sortKeys } from "./sort.ts";

/** How a search is read. */
export interface ParseOptions {
  /** `Prefer: handling`: lenient ignores what it does not know and says so, strict refuses it. */
  readonly handling: "strict" | "lenient";
  readonly defaultCount: number;
  readonly maxCount: number;
  /** How many links a chain may follow. */
  readonly maxLinks: number;
  readonly nowMs: number;
  /** Only what belongs to this patient (https://hl7.org/fhir/R4/compartmentdefinition-patient.html). */
  readonly patientId?: string;
}

/** What reading one parameter needs and adds to. */
interface Reading {
  readonly definitions: Definitions;
  readonly types: readonly string[];
  readonly options: ParseOptions;
  readonly draft: Draft;
}

interface Draft {
  /** Clauses of each type searched, in the order of the types. */
  clauses: Clause[][];
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

/** Parameters of R4 that this service leaves out, with what to do instead. */
const leftOut: Readonly<Record<string, string>> = {
  _text: "The narrative is not searched. Search by the parameters of the type.",
  _content: "The whole text is not searched. Search by the parameters of the type.",
  _filter: "_filter is not read here. Use the parameters of the type, chains and _has.",
  _query: "There are no named queries here.",
  _contained: "Contained resources are not found by themselves here.",
  _containedType: "Contained resources are not found by themselves here.",
};

/** Reads the parameters of a search of these types into a query (https://hl7.org/fhir/R4/search.html). */
export function parseSearch(
  definitions: Definitions,
  types: readonly string[],
  params: readonly (readonly [name: string, value: string])[],
  options: ParseOptions,
): Result<SearchQuery> {
  if (params.length > mostParameters) {
    const detail = `A search may have at most ${mostParameters} parameters.`;
    return refused({ kind: "too-costly", detail, status: 400 });
  }
  const draft: Draft = {
    clauses: types.map((type) =>
      options.patientId === undefined ? [] : [compartmentClause(definitions, type, options.patientId)],
    ),
    sort: [],
    inclusions: [],
    count: options.defaultCount,
    total: "none",
    used: [],
    ignored: [],
  };
  const reading = { definitions, types, options, draft };
  const refusals = params
    .filter(([name]) => !doorParameters.has(name))
    .flatMap(([name, value]) => readOne(reading, name, value));
  if (draft.summary === "text" && draft.inclusions.length > 0)
    refusals.push(...bad("_summary", "_summary=text cannot be asked for together with _include or _revinclude."));
  return refusals.length > 0 ? refused(...refusals) : accepted(queryOf(types, draft));
}

function queryOf(types: readonly string[], draft: Draft): SearchQuery {
  const { sort, inclusions, count, total, summary, elements, used, ignored } = draft;
  const ties: SortKey[] = [{ by: "id", descending: false }];
  if (types.length !== 1) ties.unshift({ by: "type", descending: false });
  return {
    branches: branchesOf(types, draft.clauses),
    sort: [...sort, ...ties],
    count: summary === "count" ? 0 : count,
    total: summary === "count" || count === 0 ? "accurate" : total,
    inclusions,
    ...(summary === undefined ? {} : { summary }),
    ...(elements === undefined ? {} : { elements }),
    used,
    ignored,
  };
}

/** Types of which the same is asked share a branch. */
function branchesOf(types: readonly string[], clauses: readonly (readonly Clause[])[]): Branch[] {
  const branches = new Map<string, { types: string[]; clauses: readonly Clause[] }>();
  types.forEach((type, i) => {
    const asked = clauses[i] ?? [];
    const key = JSON.stringify(asked);
    const known = branches.get(key);
    if (known === undefined) branches.set(key, { types: [type], clauses: asked });
    else known.types.push(type);
  });
  return [...branches.values()];
}

/** Reads one parameter into the draft; what it refuses is the answer. */
function readOne(reading: Reading, name: string, value: string): readonly Refusal[] {
  const { definitions, types, draft, options } = reading;
  const answer = readControl(reading, name, value);
  if (answer === "unknown") {
    const reason = unknownReason(definitions, types, name);
    if (options.handling === "strict") return [{ kind: "not-supported", detail: reason, at: name, status: 400 }];
    draft.ignored.push({ name, reason });
    return [];
  }
  if (answer === undefined) draft.used.push([name, value]);
  return answer ?? [];
}

type Answer = undefined | "unknown" | readonly Refusal[];

function readParameter(reading: Reading, name: string, value: string): Answer {
  const { definitions, types, draft, options } = reading;
  const context = { definitions, nowMs: options.nowMs, linksLeft: options.maxLinks };
  const clauses: Clause[] = [];
  for (const type of types) {
    const clause = clauseOf(context, type, name, value);
    if (clause === "unknown") return "unknown";
    if (!clause.ok) return clause.refusals;
    clauses.push(clause.value);
  }
  clauses.forEach((clause, i) => {
    draft.clauses[i]?.push(clause);
  });
  return undefined;
}

function readControl(reading: Reading, name: string, value: string): Answer {
  const { definitions, types, draft, options } = reading;
  switch (name) {
    case "_count":
      if (!/^\d{1,9}$/.test(value)) return bad(name, "_count is a whole number.");
      draft.count = Math.min(Number(value), options.maxCount);
      return undefined;
    case "_sort": {
      const keys = sortKeys(definitions, types, value, draft.sort.length);
      if (!keys.ok) return keys.refusals;
      draft.sort.push(...keys.value);
      return undefined;
    }
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
      if (!/^\w+(\.\w+)*(,\w+(\.\w+)*)*$/.test(value)) return bad(name, "_elements lists elements: status,code.");
      draft.elements = value.split(",");
      return undefined;
    case "_include":
    case "_include:iterate":
    case "_include:recurse":
    case "_revinclude":
    case "_revinclude:iterate":
    case "_revinclude:recurse": {
      if (draft.inclusions.length >= mostInclusions)
        return bad(name, `A search may have at most ${mostInclusions} inclusions.`);
      const inclusion = inclusionOf(definitions, name, value);
      if (!inclusion.ok) return inclusion.refusals;
      draft.inclusions.push(inclusion.value);
      return undefined;
    }
    default:
      return Object.hasOwn(leftOut, name) ? "unknown" : readParameter(reading, name, value);
  }
}

function bad(name: string, detail: string): readonly Refusal[] {
  return [{ kind: "value", detail, at: name, status: 400 }];
}

function unknownReason(definitions: Definitions, types: readonly string[], name: string): string {
  const known = leftOut[name.split(":")[0] ?? ""];
  if (known !== undefined) return known;
  const shared = types.map((type) => [...definitions.parameters(type).keys()]);
  const [first = []] = shared;
  const codes = first.filter((code) => shared.every((one) => one.includes(code)));
  const near = nearNames(name.split(/[:.]/)[0] ?? "", codes);
  const whose = types.length === 1 ? `${types[0]} has` : "These types have together";
  return `${whose} no search parameter "${name.slice(0, 64)}".${near.length === 0 ? "" : ` Near it: ${near.join(", ")}.`}`;
}
