import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import { rangeOfDate } from "./search/date.ts";
import type { SubsetWanted } from "./subset.ts";

/** Whose versions are listed: one resource's, one type's, or those of every type in `types`. */
export type HistoryScope =
  | { readonly type: string; readonly id: string }
  | { readonly type: string }
  | { readonly types: readonly string[] };

/** Where a page ended: the version that it showed last. */
export interface HistoryPlace {
  readonly lastUpdatedMs: number;
  readonly type: string;
  readonly id: string;
  readonly version: number;
}

/** A history as it was asked for (https://hl7.org/fhir/R4/http.html#history). */
export interface HistoryQuery extends SubsetWanted {
  readonly count: number;
  /** Only versions made at or after this instant. */
  readonly sinceMs?: number;
  /** Only versions that were current at some time in `[lowMs, highMs)`. */
  readonly at?: { readonly lowMs: number; readonly highMs: number };
  /** Parameters that were used, in order, for the links. */
  readonly used: readonly (readonly [name: string, value: string])[];
}

/** How the parameters of a history are read. */
export interface HistoryOptions {
  /** `Prefer: handling`: lenient ignores what it does not know, strict refuses it. */
  readonly handling: "strict" | "lenient";
  readonly defaultCount: number;
  readonly maxCount: number;
}

/** Parameters that the door reads itself. */
const doorParameters = new Set(["_format", "_pretty", "_cursor"]);

type Read = Partial<HistoryQuery> | string;

const readers: Readonly<Record<string, (value: string, options: HistoryOptions) => Read>> = {
  _count: (value, options) =>
    /^\d{1,9}$/.test(value) ? { count: Math.min(Number(value), options.maxCount) } : "_count is a whole number.",
  _since(value) {
    const range = rangeOf(value);
    return range === undefined
      ? "_since is an instant such as 2026-03-10T12:00:00Z; a plus sign of its zone is written %2B in an address."
      : { sinceMs: range.lowMs };
  },
  _at(value) {
    const at = rangeOf(value);
    return at === undefined ? "_at is a date or an instant without a prefix: 2026-03 or 2026-03-10T12:00:00Z." : { at };
  },
  _summary: (value) =>
    ["true", "text", "data", "count", "false"].includes(value)
      ? { summary: value as NonNullable<SubsetWanted["summary"]> }
      : "_summary is true, text, data, count or false.",
  _elements: (value) =>
    /^\w+(\.\w+)*(,\w+(\.\w+)*)*$/.test(value)
      ? { elements: value.split(",") }
      : "_elements lists elements: status,code.",
};

/** A plus sign of an address that was not escaped arrives as a space. */
function rangeOf(value: string): ReturnType<typeof rangeOfDate> {
  return rangeOfDate(value.replace(/(T.*) (\d\d:\d\d)$/, "$1+$2"));
}

/**
 * Reads the parameters of a history, those of R4 but `_list` (https://hl7.org/fhir/R4/http.html#history); each is given
 * once at most. A `_summary` of count asks for no entries, as in a search.
 */
export function parseHistory(
  params: readonly (readonly [name: string, value: string])[],
  options: HistoryOptions,
): Result<HistoryQuery> {
  const used: (readonly [string, string])[] = [];
  const refusals: Refusal[] = [];
  let query: Omit<HistoryQuery, "used"> = { count: options.defaultCount };
  const refuse = (at: string, detail: string, kind: Refusal["kind"] = "value") =>
    refusals.push({ kind, detail, at: at.slice(0, 64), status: 400 });
  for (const [name, value] of params) {
    if (doorParameters.has(name)) continue;
    const reader = Object.hasOwn(readers, name) ? readers[name] : undefined;
    if (reader === undefined) {
      if (options.handling === "strict") refuse(name, unknownDetail, "not-supported");
      continue;
    }
    const read = used.some(([before]) => before === name) ? `${name} is given once.` : reader(value, options);
    if (typeof read === "string") refuse(name, read);
    else query = { ...query, ...read };
    used.push([name, value]);
  }
  if (refusals.length > 0) return refused(...refusals);
  return accepted({ ...query, count: query.summary === "count" ? 0 : query.count, used });
}

const unknownDetail =
  "A history takes _count, _since, _at, _summary and _elements here. Leave the parameter out, or ask for lenient handling.";
