import type { DisclosurePolicy } from "../../../src/domain/disclosure/policy.ts";
import { type Dimension, type Member, membersOf, placesOf, type Table } from "../../../src/domain/disclosure/table.ts";

/** A dimension of these leaves under one root, `all`. */
export function flat(name: string, leaves: readonly string[]): Dimension {
  return { name, whole: { key: "all", parts: leaves.map((key) => ({ key })) }, parts: "disjoint" };
}

/** The leaves at or below a member. */
function leavesOf(whole: Member, key: string): readonly string[] {
  const member = membersOf(whole).find((one) => one.key === key);
  return member === undefined
    ? []
    : membersOf(member)
        .filter(({ parts = [] }) => parts.length === 0)
        .map((leaf) => leaf.key);
}

/** A table whose inner cells are the sums of its leaves: `persons` is asked for each combination of leaves. */
export function tableOf(
  counts: string,
  dimensions: readonly Dimension[],
  persons: (leaf: Readonly<Record<string, string>>) => number,
): Table {
  const leaves = placesOf(dimensions).filter((at) =>
    dimensions.every(({ name, whole }) => {
      const below = leavesOf(whole, at[name] ?? "");
      return below.length === 1 && below[0] === at[name];
    }),
  );
  const cells = placesOf(dimensions).map((at) => ({
    at,
    persons: leaves
      .filter((leaf) =>
        dimensions.every(({ name, whole }) => leavesOf(whole, at[name] ?? "").includes(leaf[name] ?? "")),
      )
      .reduce((sum, leaf) => sum + persons(leaf), 0),
  }));
  return { counts, dimensions, cells };
}

/** A table of rows r0, r1... by columns c0, c1... with their totals. */
export function grid(counts: string, rows: readonly (readonly number[])[]): Table {
  const names = (letter: string, length: number) => Array.from({ length }, (_, i) => `${letter}${i}`);
  const dimensions = [flat("row", names("r", rows.length)), flat("column", names("c", rows[0]?.length ?? 0))];
  return tableOf(
    counts,
    dimensions,
    ({ row = "", column = "" }) => rows[Number(row.slice(1))]?.[Number(column.slice(1))] ?? 0,
  );
}

/** Counts of 1 and 2 are hidden, the rest is shown as it is, three values must stay possible. */
export const smallPolicy: DisclosurePolicy = {
  name: "small",
  small: { least: 1, greatest: 2 },
  roundTo: 1,
  nationalUncontrolled: false,
  greatestSiteShare: 1,
  minimumWidth: { figures: 2, roles: 0 },
  dominanceWidthShare: 0,
  percentage: { oneDecimalFrom: 4000, wholeFrom: 400, extremesFrom: 50 },
};

const vignettePersons: Readonly<Record<string, number>> = {
  "young Spain": 5,
  "young Iceland": 2,
  "young Portugal": 0,
  "old Spain": 6,
  "old Iceland": 3,
  "old Portugal": 4,
};

/**
 * Statistics Norway, GaussSuppression vignette "Small count frequency table suppression" (CRAN), the table of persons by
 * age and country; with maxN = 1 it hides counts of 0 and 1 first.
 */
export const vignetteTable = tableOf(
  "persons",
  [flat("age", ["young", "old"]), flat("country", ["Spain", "Iceland", "Portugal"])],
  ({ age = "", country = "" }) => vignettePersons[`${age} ${country}`] ?? Number.NaN,
);

/** The vignette's rule; three possible values is what its own answer leaves (calculated: see the vignette's test). */
export const vignettePolicy: DisclosurePolicy = { ...smallPolicy, name: "vignette", small: { least: 0, greatest: 1 } };
