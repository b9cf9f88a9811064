import type { Quantity } from "@medplum/fhirtypes";
import { inCanonicalUnit, ucumSystem } from "../search/ucum.ts";

type Members = Readonly<Record<string, unknown>>;

/**
 * Invariants that nearly every resource asks, written out: as FHIRPath each takes ten microseconds or more
 * (measured). The expressions stand at https://hl7.org/fhir/R4/datatypes.html and on the pages of the resources; the
 * tests compare both ways of asking. Undefined leaves the question to the expression.
 */
export const plainRules: Readonly<Record<string, (value: Members) => boolean | undefined>> = {
  "dom-2": (value) => value.contained === undefined || containedAll(value, (one) => one.contained === undefined),
  "dom-4": (value) =>
    value.contained === undefined ||
    containedAll(value, ({ meta }) => !has(meta, "versionId") && !has(meta, "lastUpdated")),
  "dom-5": (value) => value.contained === undefined || containedAll(value, ({ meta }) => !has(meta, "security")),
  "ext-1": (value) => (value.extension !== undefined) !== hasChoice(value, "value"),
  "qty-3": (value) => !has(value, "code") || has(value, "system"),
  "sqty-1": (value) => !has(value, "comparator"),
  "att-1": (value) => !has(value, "data") || has(value, "contentType"),
  "cpt-2": (value) => !has(value, "value") || has(value, "system"),
  "per-1": (value) => isInOrder(value.start, value.end),
  "rng-2": (value) => isAscending(value.low, value.high),
  "obs-3": (value) => has(value, "low") || has(value, "high") || has(value, "text"),
  "obs-6": (value) => value.dataAbsentReason === undefined || !hasChoice(value, "value"),
  // FHIRPath's descendants() answers nothing in the engine here, so these two would hold for everything.
  "que-2": (value) => areDistinct(value.item, "item", "linkId"),
  "csd-1": (value) => areDistinct(value.concept, "concept", "code"),
  "obs-7": (value) => (value.component === undefined || !hasChoice(value, "value") ? true : undefined),
};

function has(value: unknown, name: string): boolean {
  if (typeof value !== "object" || value === null) return false;
  return (value as Members)[name] !== undefined || (value as Members)[`_${name}`] !== undefined;
}

/** Whether a choice element has a value of any type, or a primitive extension in place of one. */
function hasChoice(value: Members, name: string): boolean {
  for (const key in value) {
    const from = key.startsWith("_") ? 1 : 0;
    if (key.startsWith(name, from) && /^[A-Z]/.test(key.slice(from + name.length))) return true;
  }
  return false;
}

/** Whether no two members of a tree have the same text under a name. */
function areDistinct(top: unknown, branch: string, name: string): boolean {
  const seen = new Set<string>();
  const open: unknown[] = [top];
  while (open.length > 0) {
    const list = open.pop();
    for (const one of Array.isArray(list) ? (list as (Members | null)[]) : []) {
      const text = one?.[name];
      if (isText(text) && seen.has(text)) return false;
      if (isText(text)) seen.add(text);
      open.push(one?.[branch]);
    }
  }
  return true;
}

function containedAll(value: Members, holds: (one: Members) => boolean): boolean {
  const contained = value.contained;
  if (!Array.isArray(contained)) return true;
  return contained.every((one) => typeof one !== "object" || one === null || holds(one as Members));
}

/**
 * Whether a period ends no earlier than it starts. A shorter form stands for all it may mean: an end of 2026-03 lasts
 * until the end of March (https://hl7.org/fhir/R4/datatypes.html#Period).
 */
function isInOrder(start: unknown, end: unknown): boolean {
  if (typeof start !== "string" || typeof end !== "string") return true;
  if (start.includes("T") && end.includes("T")) {
    const [from, until] = [Date.parse(start), Date.parse(end)];
    return Number.isNaN(from) || Number.isNaN(until) || from <= until;
  }
  // Without a zone a day is whatever day it was where the other was written.
  const length = Math.min(start.length, end.length, 10);
  return start.slice(0, length) <= end.slice(0, length);
}

/** Whether a range ascends; units that do not compare leave that open. */
function isAscending(low: unknown, high: unknown): boolean {
  const [from, until] = [low as Quantity | undefined, high as Quantity | undefined];
  if (typeof from?.value !== "number" || typeof until?.value !== "number") return true;
  if (
    from.code === until.code &&
    from.system === until.system &&
    (from.code ?? from.unit) === (until.code ?? until.unit)
  ) {
    return from.value <= until.value;
  }
  if (from.system !== ucumSystem || until.system !== ucumSystem || !isText(from.code) || !isText(until.code))
    return true;
  const [one, other] = [inCanonicalUnit(from.code, from.value), inCanonicalUnit(until.code, until.value)];
  return one.unit !== other.unit || one.value <= other.value;
}

function isText(value: unknown): value is string {
  return typeof value === "string";
}
