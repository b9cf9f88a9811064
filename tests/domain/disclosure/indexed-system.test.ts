import fc from "fast-check";
import { expect, test } from "vitest";
import { changeOf, fitsAfter, fittingTable, indexed, joined } from "../../../src/domain/disclosure/indexed-system.ts";
import { satisfies } from "../../../src/domain/disclosure/linear-system.ts";
import { fittedSystems } from "./example-systems.ts";

test("an unknown that stands twice in a row counts twice, one that cancels out not at all", () => {
  const terms = [
    { variable: 0, times: 1 },
    { variable: 0, times: 1 },
    { variable: 1, times: 1 },
    { variable: 1, times: -1 },
  ];
  const system = indexed({ least: [0, 0], greatest: [9, 9], rows: [{ terms, least: 0, greatest: 6 }] });
  expect([...(system.rows[0]?.variables ?? [])]).toEqual([0]);
  expect(fittingTable(system, [3, 9])?.sums[0]).toBe(6);
  expect(fittingTable(system, [4, 0])).toBeUndefined();
});

test("a table that is not whole, not complete or out of bounds does not fit", () => {
  const system = indexed({ least: [0, 0], greatest: [9, 9], rows: [] });
  for (const values of [[1.5, 1], [1], [1, 10], [Number.NaN, 1]]) expect(fittingTable(system, values)).toBeUndefined();
});

test("what touches little decides as looking at everything does", () => {
  const changes = fc.array(fc.tuple(fc.nat(5), fc.integer({ min: -2, max: 2 })), { maxLength: 4 });
  let [fitting, others] = [0, 0];
  fc.assert(
    fc.property(fittedSystems(6), changes, ({ system, values }, some) => {
      const move = new Map(some.filter(([variable, change]) => variable < values.length && change !== 0));
      const after = values.map((value, i) => value + (move.get(i) ?? 0));
      const table = fittingTable(indexed(system), values);
      if (table === undefined) throw new Error("it fits");
      const fits = fitsAfter(indexed(system), table, move);
      expect(fits).toBe(satisfies(system, after));
      if (fits && move.size > 0) fitting += 1;
      else others += 1;
    }),
    { numRuns: 500 },
  );
  expect(Math.min(fitting, others)).toBeGreaterThan(20);
});

test("moves add up, and what they undo of each other is gone", () => {
  const move = joined([
    new Map([
      [1, 2],
      [4, -2],
    ]),
    new Map([
      [4, 2],
      [7, 1],
    ]),
  ]);
  expect([...move]).toEqual([
    [1, 2],
    [7, 1],
  ]);
  const goal = [
    { variable: 1, times: 1 },
    { variable: 7, times: -1 },
  ];
  expect(changeOf(goal, move)).toBe(1);
});
