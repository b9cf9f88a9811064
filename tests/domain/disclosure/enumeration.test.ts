import fc from "fast-check";
import { expect, test } from "vitest";
import { enumerationSolver, solutionsOf } from "../../../src/domain/disclosure/enumeration.ts";
import { type LinearSystem, satisfies } from "../../../src/domain/disclosure/linear-system.ts";

const plus = [
  { variable: 0, times: 1 },
  { variable: 1, times: 1 },
];
const sumIsThree: LinearSystem = { least: [0, 0], greatest: [5, 2], rows: [{ terms: plus, least: 3, greatest: 3 }] };

test("all solutions are found", () => {
  expect([...solutionsOf(sumIsThree)]).toEqual([
    [1, 2],
    [2, 1],
    [3, 0],
  ]);
});

test("a system without unknowns has one solution, one that contradicts itself none", () => {
  expect([...solutionsOf({ least: [], greatest: [], rows: [] })]).toEqual([[]]);
  expect([...solutionsOf({ least: [4], greatest: [3], rows: [] })]).toEqual([]);
});

test("the solutions are those of all combinations that fit", () => {
  const bound = fc.integer({ min: 0, max: 3 });
  const times = fc.integer({ min: -2, max: 2 });
  const row = fc.record({ times: fc.tuple(times, times, times), least: fc.integer({ min: -4, max: 4 }), more: bound });
  fc.assert(
    fc.property(
      fc.array(fc.tuple(bound, bound), { minLength: 3, maxLength: 3 }),
      fc.array(row, { maxLength: 3 }),
      (bounds, rows) => {
        const system: LinearSystem = {
          least: bounds.map(([least]) => least),
          greatest: bounds.map(([least, more]) => least + more),
          rows: rows.map((one) => ({
            terms: one.times.map((count, variable) => ({ variable, times: count })),
            least: one.least,
            greatest: one.least + one.more,
          })),
        };
        const all = [0, 1, 2, 3, 4, 5, 6].flatMap((x) =>
          [0, 1, 2, 3, 4, 5, 6].flatMap((y) => [0, 1, 2, 3, 4, 5, 6].map((z) => [x, y, z])),
        );
        expect([...solutionsOf(system)]).toEqual(all.filter((values) => satisfies(system, values)));
      },
    ),
  );
});

test("the solver answers with the ends, says when nothing fits, and gives up beyond its bound", () => {
  const goal = [{ variable: 0, times: 1 }];
  const opened = enumerationSolver(10)(sumIsThree);
  expect(opened.extreme(goal, "least")).toEqual({ kind: "found", values: [1, 2] });
  expect(opened.extreme(goal, "greatest")).toEqual({ kind: "found", values: [3, 0] });
  expect(enumerationSolver(10)({ ...sumIsThree, greatest: [0, 0] }).extreme(goal, "least")).toEqual({
    kind: "impossible",
  });
  expect(enumerationSolver(2)(sumIsThree).extreme(goal, "least")).toEqual({ kind: "given-up" });
  opened.close();
});
