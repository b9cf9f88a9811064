import fc from "fast-check";
import { expect, test } from "vitest";
import { solutionsOf } from "../../../src/domain/disclosure/enumeration.ts";
import { intruderSystem, intruders, type Publication, unknownsOf } from "../../../src/domain/disclosure/intruder.ts";
import { disclose } from "../../../src/domain/disclosure/release.ts";
import type { Table } from "../../../src/domain/disclosure/table.ts";
import { loadIntervalSolver } from "../../../src/flows/interval-solver.ts";
import { flat, smallPolicy, tableOf } from "./example-tables.ts";

const solver = await loadIntervalSolver();
const ceiling = 24;

/** Persons by site a to d: published flat, then in a tree of pairs, then two of the sites by month. */
const counts = fc.array(fc.integer({ min: 0, max: 7 }), { minLength: 4, maxLength: 4 });
const names = ["a", "b", "c", "d"];

function bySite(persons: readonly number[]): Table {
  return tableOf("n", [flat("site", names)], ({ site = "" }) => persons[names.indexOf(site)] ?? 0);
}

function byPair(persons: readonly number[]): Table {
  const leaves = (keys: readonly string[]) => keys.map((key) => ({ key }));
  const pairs = {
    key: "all",
    parts: [
      { key: "ab", parts: leaves(["a", "b"]) },
      { key: "cd", parts: leaves(["c", "d"]) },
    ],
  };
  const dimension = { name: "site", whole: pairs, parts: "disjoint" as const };
  return tableOf("n", [dimension], ({ site = "" }) => persons[names.indexOf(site)] ?? 0);
}

/** All persons and those of two months, which overlap: `first` and `second` of them, together all. */
function byMonth(persons: readonly number[], apart: number): Table {
  const total = persons.reduce((sum, one) => sum + one, 0);
  const first = Math.min(total, apart);
  const months = { key: "all", parts: [{ key: "one" }, { key: "two" }] };
  return {
    counts: "n",
    dimensions: [{ name: "month", whole: months, parts: "overlapping" }],
    cells: [
      { at: { month: "all" }, persons: total },
      { at: { month: "one" }, persons: total - first },
      { at: { month: "two" }, persons: first },
    ],
  };
}

test("whatever is released one after another, nothing that any release hid becomes too narrow", () => {
  let [releases, refusals, later] = [0, 0, 0];
  const rounding = fc.constantFrom(1, 3);
  fc.assert(
    fc.property(counts, fc.integer({ min: 0, max: 9 }), rounding, (persons, apart, roundTo) => {
      const policy = { ...smallPolicy, roundTo, minimumWidth: { figures: 2, roles: 1 } };
      const earlier: Publication[] = [];
      for (const table of [bySite(persons), byPair(persons), byMonth(persons, apart)]) {
        const result = disclose({ name: `r${earlier.length}`, tables: [table], policy, earlier, solver, ceiling });
        if (!result.ok) {
          refusals += 1;
          continue;
        }
        releases += 1;
        if (result.value.method !== "none-needed" && earlier.length > 0) later += 1;
        earlier.push(result.value.publication);
        const keys = unknownsOf(earlier);
        for (const intruder of intruders) {
          const solutions = [...solutionsOf(intruderSystem(earlier, intruder))];
          const valuesOf = (name: string) =>
            solutions.map((values) =>
              name
                .split(" - ")
                .map((part) =>
                  part.split(" + ").reduce((sum, key) => sum + (values[keys.indexOf(key)] ?? Number.NaN), 0),
                )
                .reduce((left, right) => left - right),
            );
          for (const { name, kind, intervals } of result.value.audit.targets) {
            const values = valuesOf(name);
            const least = values.reduce((one, other) => Math.min(one, other));
            const greatest = values.reduce((one, other) => Math.max(one, other));
            expect({ name, ...intervals[intruder] }).toEqual({ name, least, greatest });
            const isSmall = greatest >= 1 && greatest <= policy.small.greatest;
            if (kind === "cell" || isSmall)
              expect(greatest - least).toBeGreaterThanOrEqual(policy.minimumWidth[intruder]);
          }
        }
      }
    }),
    { numRuns: 60 },
  );
  // The law would hold of nothing if nothing were released, or if earlier releases never mattered.
  expect(releases).toBeGreaterThan(60);
  expect(refusals).toBeGreaterThan(0);
  expect(later).toBeGreaterThan(0);
});
