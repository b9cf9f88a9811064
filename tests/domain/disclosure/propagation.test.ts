import fc from "fast-check";
import { expect, test } from "vitest";
import { solutionsOf } from "../../../src/domain/disclosure/enumeration.ts";
import { indexed } from "../../../src/domain/disclosure/indexed-system.ts";
import { reachOf, tightened } from "../../../src/domain/disclosure/propagation.ts";
import { fittedSystems } from "./example-systems.ts";

const row = (whole: number, ...parts: number[]) => ({
  terms: [...parts.map((variable) => ({ variable, times: 1 })), { variable: whole, times: -1 }],
  least: 0,
  greatest: 0,
});

test("a whole and all parts but one tell the last, and that tells of others", () => {
  const system = { least: [10, 3, 0, 0, 0], greatest: [10, 3, 20, 20, 20], rows: [row(2, 3, 4), row(0, 1, 2)] };
  const bounds = tightened(indexed(system));
  expect(bounds && [...bounds.least]).toEqual([10, 3, 7, 0, 0]);
  expect(bounds && [...bounds.greatest]).toEqual([10, 3, 7, 7, 7]);
});

test("where a row cannot hold, nothing fits", () => {
  expect(tightened(indexed({ least: [10, 0, 0], greatest: [10, 4, 4], rows: [row(0, 1, 2)] }))).toBeUndefined();
  expect(tightened(indexed({ least: [5], greatest: [4], rows: [] }))).toBeUndefined();
});

test("a row reaches from what its unknowns are at least to what they are at most", () => {
  const { rows, least, greatest } = indexed({ least: [1, 2, 3], greatest: [4, 5, 6], rows: [row(0, 1, 2)] });
  const [only] = rows;
  expect(only && reachOf(only, { least, greatest })).toEqual({ least: 2 + 3 - 4, greatest: 5 + 6 - 1 });
});

test("no table that fits is outside the bounds, by trying every one", () => {
  fc.assert(
    fc.property(fittedSystems(6), ({ system }) => {
      const bounds = tightened(indexed(system));
      if (bounds === undefined) throw new Error("one table fits");
      for (const values of solutionsOf(system))
        for (const [i, value] of values.entries()) {
          expect(value).toBeGreaterThanOrEqual(bounds.least[i] ?? Number.NaN);
          expect(value).toBeLessThanOrEqual(bounds.greatest[i] ?? Number.NaN);
        }
    }),
    { numRuns: 100 },
  );
});
