import fc from "fast-check";
import { expect, test } from "vitest";
import { componentSolver } from "../../../src/domain/disclosure/component-solver.ts";
import { enumerationSolver } from "../../../src/domain/disclosure/enumeration.ts";
import { changeOf, fitsAfter, fittingTable, indexed } from "../../../src/domain/disclosure/indexed-system.ts";
import { type IntervalSolver, satisfies, sumOf } from "../../../src/domain/disclosure/linear-system.ts";
import { fittedSystems } from "./example-systems.ts";

const enumeration = enumerationSolver(100_000);

test("a move to an end leads to a table that fits and is no less far than any other", () => {
  fc.assert(
    fc.property(
      fittedSystems(6),
      fc.constantFrom("least" as const, "greatest" as const),
      ({ system, values }, sense) => {
        const [whole, apart] = [indexed(system), componentSolver(indexed(system), enumeration)];
        const table = fittingTable(whole, values);
        if (table === undefined) throw new Error("it fits");
        const goal = [0, 1].map((variable) => ({ variable, times: 1 }));
        const { kind, move } = apart.extreme(table, goal, sense);
        apart.close();
        const best = enumeration(system).extreme(goal, sense);
        expect([kind, fitsAfter(whole, table, move)]).toEqual(["found", true]);
        expect(best.kind === "found" && sumOf(goal, best.values)).toBe(sumOf(goal, values) + changeOf(goal, move));
      },
    ),
    { numRuns: 60 },
  );
});

test("any table is one that fits, and where none does that is said", () => {
  fc.assert(
    fc.property(fittedSystems(6), ({ system }) => {
      const apart = componentSolver(indexed(system), enumeration);
      const values = apart.anyTable([]);
      apart.close();
      expect(typeof values === "object" && satisfies(system, values)).toBe(true);
    }),
    { numRuns: 40 },
  );
  const none = { least: [0], greatest: [1], rows: [{ terms: [{ variable: 0, times: 1 }], least: 2, greatest: 2 }] };
  expect(componentSolver(indexed(none), enumeration).anyTable([])).toBe("impossible");
});

test("only components that a goal touches are opened, once, and all are closed", () => {
  let [opened, closed] = [0, 0];
  const counting: IntervalSolver = (system) => {
    const one = enumeration(system);
    opened += 1;
    return {
      extreme: one.extreme,
      close: () => {
        closed += 1;
      },
    };
  };
  const system = indexed({ least: [0, 0], greatest: [9, 9], rows: [] });
  const table = fittingTable(system, [4, 4]);
  if (table === undefined) throw new Error("it fits");
  const apart = componentSolver(system, counting);
  for (const sense of ["least", "greatest"] as const) apart.extreme(table, [{ variable: 1, times: 1 }], sense);
  apart.close();
  expect([opened, closed]).toEqual([1, 1]);
});

test("of a large component the unknowns near a goal are asked about, and a small one is not asked about twice", () => {
  // A chain: each unknown and the next add up to 9 or more.
  const chain = (count: number) =>
    indexed({
      least: Array(count).fill(0),
      greatest: Array(count).fill(9),
      rows: Array.from({ length: count - 1 }, (_, i) => ({
        terms: [i, i + 1].map((variable) => ({ variable, times: 1 })),
        least: 9,
        greatest: 18,
      })),
    });
  const sizes: number[] = [];
  const small: IntervalSolver = ({ least, greatest }) => {
    sizes.push(least.length);
    return { extreme: () => ({ kind: "found", values: greatest }), close: () => undefined };
  };
  const [long, short] = [chain(400), chain(20)];
  const [longTable, shortTable] = [long, short].map((system) =>
    fittingTable(system, Array(system.least.length).fill(5)),
  );
  if (longTable === undefined || shortTable === undefined) throw new Error("they fit");
  const goal = [{ variable: 0, times: 1 }];
  const near = componentSolver(long, small).extremeNear(longTable, goal, "greatest");
  expect([near.kind, near.move.size, sizes]).toEqual(["found", 300, [300]]);
  expect(fitsAfter(long, longTable, near.move)).toBe(true);
  expect(componentSolver(short, small).extremeNear(shortTable, goal, "greatest").kind).toBe("given-up");
});
