import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import type { Definitions } from "./definitions.ts";
import { type ParseOptions, parseSearch } from "./search/parse.ts";
import type { SearchQuery } from "./search/query.ts";

/** What `$lastn` is asked for: the newest `max` of each code among what the search finds. */
export interface LastnQuery {
  readonly max: number;
  readonly search: SearchQuery;
}

/** Parameters whose expression holds a code (https://hl7.org/fhir/R4/observation.html#search): code, code-value-*, combo-code … */
const codeParameter = /^(?:combo-|component-)?code(?:-value-(?:concept|date|quantity|string))?$/;

/** Result parameters that mean nothing here, because the operation itself settles order and number. */
const settledHere = /^(?:_count|_sort|_total|_(?:rev)?include(?::.*)?)$/;

type Parameters = readonly (readonly [name: string, value: string])[];

/**
 * Reads the parameters of `Observation/$lastn` (https://hl7.org/fhir/R4/observation-operation-lastn.html): `max`, 1 unless
 * given, and search parameters of Observation, a subject and a category or code among them.
 */
export function readLastn(definitions: Definitions, params: Parameters, options: ParseOptions): Result<LastnQuery> {
  const maxima = params.filter(([name]) => name === "max");
  const settled = params.filter(([name]) => settledHere.test(name));
  const asked = params.filter(([name]) => name !== "max" && !settledHere.test(name));
  const refusals = [...maxRefusals(maxima), ...missingRefusals(asked)];
  const ignored = settled.map(([name]) => ({
    name,
    reason: `$lastn itself settles how many are answered and in which order; ${name.slice(0, 64)} is not used. Use max.`,
  }));
  if (options.handling === "strict") {
    refusals.push(
      ...ignored.map(({ name, reason }): Refusal => ({ kind: "not-supported", detail: reason, at: name, status: 400 })),
    );
  }
  if (refusals.length > 0) return refused(...refusals);
  const search = parseSearch(definitions, ["Observation"], asked, options);
  if (!search.ok) return search;
  const used = [...search.value.used, ...maxima];
  return accepted({
    max: Number(maxima[0]?.[1] ?? 1),
    search: { ...search.value, used, ignored: [...search.value.ignored, ...ignored] },
  });
}

function maxRefusals(maxima: Parameters): Refusal[] {
  if (maxima.length > 1) return [bad("max", "max may be given once.")];
  const wrong = maxima.some(([, value]) => !/^[1-9]\d{0,8}$/.test(value));
  return wrong ? [bad("max", "max is a whole number of 1 or more.")] : [];
}

function missingRefusals(asked: Parameters): Refusal[] {
  const given = asked
    .filter(([name, value]) => value !== "" && !name.endsWith(":missing"))
    .map(([name]) => name.split(/[:.]/)[0] ?? "");
  const refusals: Refusal[] = [];
  if (!given.some((name) => name === "patient" || name === "subject"))
    refusals.push(bad("patient", "Say whose observations: $lastn needs patient or subject."));
  if (!given.some((name) => name === "category" || codeParameter.test(name)))
    refusals.push(bad("code", "Say which observations: $lastn needs category, code or another parameter of a code."));
  return refusals;
}

function bad(at: string, detail: string): Refusal {
  return { kind: "required", detail, at, status: 400 };
}
