import type { IndexValues } from "../fhir/search/index-values.ts";
import { instant } from "./database.ts";

/** Columns of `resource` that searches ask, in the order of `indexInput`. */
export const indexColumns = `patient_id, started_at, ended_at, terms, quantity_keys, quantity_units, quantity_lows, quantity_highs,
  quantity_places, place_terms`;

/** The lists that a resource has, each in columns of equal length. An empty one is stored as null, but for the terms. */
const lists = [
  { name: "terms", columns: ["bigint"] },
  { name: "quantities", columns: ["bigint", "bigint", "float8", "float8"] },
  { name: "places", columns: ["smallint"] },
  { name: "place_terms", columns: ["bigint"] },
] as const;

/** How a statement takes the index values of many resources. */
export interface IndexInput {
  /** Parallel arrays for `unnest`, one element for each resource, and what they are called as columns. */
  readonly arrays: string;
  readonly names: string;
  /** The values of `indexColumns` of a row of the relation `i` that has those columns. */
  readonly values: string;
}

/**
 * The statement's side of `indexParameters`, whose first is number `first`. Lists of all resources stand one behind the other in
 * one array, and each resource takes its piece: an array of arrays' texts would be escaped here and parsed there twice.
 */
export function indexInput(first: number): IndexInput {
  let next = first;
  const parameter = (type: string) => `$${next++}::${type}[]`;
  const arrays = [parameter("text"), parameter("timestamptz"), parameter("timestamptz")];
  const names = ["patient_id", "started_at", "ended_at"];
  const values = names.map((name) => `i.${name}`);
  for (const { name, columns } of lists) {
    const [after, until] = [`${name}_after`, `${name}_until`];
    arrays.push(parameter("int"), parameter("int"));
    names.push(after, until);
    for (const type of columns) {
      const piece = `(${parameter(type)})[i.${after} + 1 : i.${until}]`;
      values.push(name === "terms" ? piece : `nullif(${piece}, '{}')`);
    }
  }
  return { arrays: arrays.join(", "), names: names.join(", "), values: values.join(", ") };
}

/** How many parameters `indexInput` takes. */
export const indexParameterCount = 3 + lists.reduce((sum, { columns }) => sum + 2 + columns.length, 0);

/** The index values of many resources as parameters. */
export function indexParameters(indexes: readonly IndexValues[]): unknown[] {
  const quantities = indexes.map((one) => one.quantities);
  const all = quantities.flat();
  const placed = quantities.map((row) => (row.some(({ place }) => place !== undefined) ? row : []));
  const terms = indexes.map((one) => one.terms);
  const placeTerms = indexes.map((one) => one.placeTerms);
  return [
    indexes.map(({ hot }) => hot.patientId ?? null),
    indexes.map(({ hot }) => instant(hot.startMs)),
    indexes.map(({ hot }) => instant(hot.endMs)),
    ...bounds(terms),
    array(terms.flat()),
    ...bounds(quantities),
    array(all.map(({ key }) => key)),
    array(all.map(({ unit }) => unit)),
    array(all.map(({ low }) => low)),
    array(all.map(({ high }) => high)),
    ...bounds(placed),
    array(placed.flat().map(({ place }) => place ?? "NULL")),
    ...bounds(placeTerms),
    array(placeTerms.flat()),
  ];
}

/** Where the piece of each resource begins, counted from 0, and where it ends. */
function bounds(rows: readonly (readonly unknown[])[]): [after: number[], until: number[]] {
  const [after, until]: [number[], number[]] = [[], []];
  let at = 0;
  for (const { length } of rows) {
    after.push(at);
    at += length;
    until.push(at);
  }
  return [after, until];
}

/** Numbers as the text of an array. */
function array(values: readonly (string | number)[]): string {
  return `{${values.join(",")}}`;
}
