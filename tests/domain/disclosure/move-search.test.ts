import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { changeOf, fitsAfter, fittingTable, indexed } from "../../../src/domain/disclosure/indexed-system.ts";
import type { LinearSystem } from "../../../src/domain/disclosure/linear-system.ts";
import { findMove, moveSearch, reachingMove } from "../../../src/domain/disclosure/move-search.ts";
import { fittedSystems } from "./example-systems.ts";

/** Two rows by two columns (0 to 3) with their totals (4 to 7) known. */
function square(greatest: number): LinearSystem {
  const sum = (whole: number, ...parts: number[]) => ({
    terms: [...parts.map((variable) => ({ variable, times: 1 })), { variable: whole, times: -1 }],
    least: 0,
    greatest: 0,
  });
  return {
    least: [0, 0, 0, 0, 10, 10, 10, 10],
    greatest: [greatest, greatest, greatest, greatest, 10, 10, 10, 10],
    rows: [sum(4, 0, 1), sum(5, 2, 3), sum(6, 0, 2), sum(7, 1, 3)],
  };
}

const even = [5, 5, 5, 5, 10, 10, 10, 10];
const first = [{ variable: 0, times: 1 }];

function trialOf(system: LinearSystem, values: readonly number[]) {
  const whole = indexed(system);
  const table = fittingTable(whole, values);
  if (table === undefined) throw new Error("it fits");
  return { whole, table, trial: moveSearch(whole, table) };
}

test("under known totals one cell is raised round a rectangle", () => {
  const { trial } = trialOf(square(10), even);
  expect(Object.fromEntries(findMove(trial, first, 2, 100)?.move ?? [])).toEqual({ 0: 2, 1: -2, 2: -2, 3: 2 });
});

test("no further than the bounds let it, but as far as they do", () => {
  const { trial } = trialOf(square(7), even);
  expect(findMove(trial, first, 3, 100)).toBeUndefined();
  const move = reachingMove(trial, first, 4, 100);
  expect(move && changeOf(first, move)).toBe(2);
});

test("a search without repairs left finds nothing, and leaves no trace", () => {
  const { trial } = trialOf(square(10), even);
  expect(findMove(trial, first, 2, 1)).toBeUndefined();
  expect(findMove(trial, first, 2, 100)).toBeDefined();
});

describe("cells that could be hidden", () => {
  const closed = { ...square(10), greatest: [10, 5, 5, 5, 10, 10, 10, 10], least: [0, 5, 5, 5, 10, 10, 10, 10] };
  const { least, greatest } = indexed(square(10));
  const dear = { prices: Float64Array.from([Infinity, 7, 8, 9, ...Array(4).fill(Infinity)]), least, greatest };

  test("let a move through at what they cost", () => {
    const { whole, table } = trialOf(closed, even);
    expect(findMove(moveSearch(whole, table), first, 1, 100)).toBeUndefined();
    expect(findMove(moveSearch(whole, table, dear), first, 1, 100)?.price).toBe(7 + 8 + 9);
  });

  test("are passed by where a dearer total saves more of them", () => {
    const open = { least: least.slice(), greatest: greatest.slice() };
    for (const total of [4, 6]) open.greatest[total] = 12;
    const prices = { prices: Float64Array.from([Infinity, 7, 8, 9, 2, Infinity, 3, Infinity]), ...open };
    const { whole, table } = trialOf(closed, even);
    const found = findMove(moveSearch(whole, table, prices), first, 1, 100);
    expect([found?.price, Object.fromEntries(found?.move ?? [])]).toEqual([5, { 0: 1, 4: 1, 6: 1 }]);
  });
});

test("every move fits, changes the goal as far as it is said to, and one after another finds the same again", () => {
  let found = 0;
  const wanted = fc.constantFrom(-3, -2, -1, 1, 2, 3);
  fc.assert(
    fc.property(fittedSystems(7), wanted, ({ system, values }, change) => {
      const { whole, table, trial } = trialOf(system, values);
      const goals = [first, [...first, { variable: 1, times: -1 }], [...first, { variable: 2, times: 1 }]];
      for (const goal of goals) {
        const move = reachingMove(trial, goal, change, 50);
        expect(reachingMove(trial, goal, change, 50)).toEqual(move);
        if (move === undefined) continue;
        found += 1;
        const reached = changeOf(goal, move) / Math.sign(change);
        expect(fitsAfter(whole, table, move)).toBe(true);
        expect([reached >= 1, reached <= Math.abs(change)]).toEqual([true, true]);
      }
    }),
    { numRuns: 300 },
  );
  expect(found).toBeGreaterThan(100);
});
