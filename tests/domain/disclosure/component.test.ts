import fc from "fast-check";
import { expect, test } from "vitest";
import { decomposed } from "../../../src/domain/disclosure/component.ts";
import { enumerationSolver } from "../../../src/domain/disclosure/enumeration.ts";
import { indexed } from "../../../src/domain/disclosure/indexed-system.ts";
import { sumOf, type Term } from "../../../src/domain/disclosure/linear-system.ts";
import { loadIntervalSolver } from "../../../src/flows/interval-solver.ts";
import { fittedSystems } from "./example-systems.ts";

const highs = await loadIntervalSolver();
const enumeration = enumerationSolver(100_000);

const pair = (one: number, other: number, sum: number) => ({
  terms: [
    { variable: one, times: 1 },
    { variable: other, times: 1 },
  ],
  least: sum,
  greatest: sum,
});

test("unknowns that no row connects are apart, and known ones connect nothing", () => {
  const system = {
    least: [0, 0, 3, 0, 0],
    greatest: [9, 9, 3, 9, 9],
    rows: [
      pair(0, 1, 8),
      { terms: [0, 2, 3].map((variable) => ({ variable, times: 1 })), least: 0, greatest: 99 },
      pair(3, 4, 5),
    ],
  };
  const apart = decomposed(indexed(system));
  expect(apart?.components.map(({ variables }) => variables)).toEqual([
    [0, 1],
    [3, 4],
  ]);
  expect(apart?.components[1]?.system).toEqual({ least: [0, 0], greatest: [5, 5], rows: [pair(0, 1, 5)] });
  expect(apart && [...apart.componentOf]).toEqual([0, 0, -1, 1, 1]);
});

test("a known part of a row is taken off its ends", () => {
  const rows = [{ terms: [0, 1, 2].map((variable) => ({ variable, times: 1 })), least: 10, greatest: 10 }];
  const apart = decomposed(indexed({ least: [4, 0, 0], greatest: [4, 9, 9], rows }));
  expect(apart?.components[0]?.system.rows).toEqual([pair(0, 1, 6)]);
});

test("where nothing fits there are no parts", () => {
  expect(decomposed(indexed({ least: [0, 0], greatest: [1, 1], rows: [pair(0, 1, 5)] }))).toBeUndefined();
});

/** The ends of a goal, from the known unknowns and each component by itself. */
function endsApart(fitted: Parameters<typeof indexed>[0], goal: readonly Term[], solver: typeof highs) {
  const apart = decomposed(indexed(fitted));
  if (apart === undefined) throw new Error("one table fits");
  return (["least", "greatest"] as const).map((sense) => {
    const known = goal.filter(({ variable }) => apart.componentOf[variable] === -1);
    let sum = sumOf(known, [...apart.bounds.least]);
    for (const [place, { system }] of apart.components.entries()) {
      const own = goal
        .filter(({ variable }) => apart.componentOf[variable] === place)
        .map(({ variable, times }) => ({ variable: apart.placeIn[variable] ?? -1, times }));
      const opened = solver(system);
      const answer = opened.extreme(own, sense);
      opened.close();
      if (answer.kind !== "found") throw new Error(answer.kind);
      sum += sumOf(own, answer.values);
    }
    return sum;
  });
}

test("the ends of any sum are those of the whole system, by trying every table and by the solver undivided", () => {
  let divided = 0;
  const goals = fc.array(fc.integer({ min: -1, max: 1 }), { minLength: 7, maxLength: 7 });
  fc.assert(
    fc.property(fittedSystems(7), goals, ({ system, values }, times) => {
      const goal = values.map((_, variable) => ({ variable, times: times[variable] ?? 0 }));
      divided += (decomposed(indexed(system))?.components.length ?? 0) > 1 ? 1 : 0;
      const whole = [enumeration, highs].map((solver) => {
        const opened = solver(system);
        const ends = (["least", "greatest"] as const).map((sense) => opened.extreme(goal, sense));
        opened.close();
        return ends.map((answer) => (answer.kind === "found" ? sumOf(goal, answer.values) : answer.kind));
      });
      const apart = endsApart(system, goal, highs);
      expect(whole).toEqual([apart, apart]);
    }),
    { numRuns: 80 },
  );
  expect(divided).toBeGreaterThan(20);
});
