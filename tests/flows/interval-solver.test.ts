import fc from "fast-check";
import { expect, test } from "vitest";
import { enumerationSolver } from "../../src/domain/disclosure/enumeration.ts";
import { type LinearSystem, satisfies, sumOf } from "../../src/domain/disclosure/linear-system.ts";
import { loadIntervalSolver } from "../../src/flows/interval-solver.ts";

const solver = await loadIntervalSolver();
const reference = enumerationSolver(100_000);

const bound = fc.integer({ min: 0, max: 4 });
const times = fc.array(fc.integer({ min: -3, max: 3 }), { minLength: 4, maxLength: 4 });
const termsOf = (counts: number[]) => counts.map((count, variable) => ({ variable, times: count }));

/** Rows with coefficients beyond 1, so that the relaxed answers often have fractions. */
const systems = fc
  .record({
    bounds: fc.array(fc.tuple(bound, bound), { minLength: 4, maxLength: 4 }),
    rows: fc.array(fc.record({ times, least: fc.integer({ min: -6, max: 6 }), more: bound, open: fc.boolean() }), {
      maxLength: 4,
    }),
  })
  .map(({ bounds, rows }): LinearSystem => {
    return {
      least: bounds.map(([least]) => least),
      greatest: bounds.map(([least, more]) => least + more),
      rows: rows.map((row) => ({
        terms: termsOf(row.times),
        least: row.least,
        greatest: row.open ? Number.POSITIVE_INFINITY : row.least + row.more,
      })),
    };
  });

test("its ends are those of trying everything, over whole numbers", () => {
  fc.assert(
    fc.property(systems, fc.array(times, { minLength: 1, maxLength: 3 }), (system, goals) => {
      const [asked, tried] = [solver(system), reference(system)];
      for (const goal of goals.map(termsOf))
        for (const sense of ["least", "greatest"] as const) {
          const [answer, truth] = [asked.extreme(goal, sense), tried.extreme(goal, sense)];
          expect(answer.kind).toBe(truth.kind);
          if (answer.kind !== "found" || truth.kind !== "found") continue;
          expect(satisfies(system, answer.values)).toBe(true);
          expect(sumOf(goal, answer.values)).toBe(sumOf(goal, truth.values));
        }
      asked.close();
    }),
    { numRuns: 300 },
  );
});

test("a relaxed answer with fractions is asked again in whole numbers", () => {
  const odd = { least: [0, 0], greatest: [9, 9], rows: [{ terms: termsOf([2, 2]), least: 1, greatest: 7 }] };
  const opened = solver(odd);
  const answer = opened.extreme(termsOf([1, 1]), "greatest");
  opened.close();
  expect(answer.kind === "found" && sumOf(termsOf([1, 1]), answer.values)).toBe(3);
});

test("bounds that cross are impossible, as are rows that nothing meets", () => {
  const goal = termsOf([1]);
  const crossed = solver({ least: [4], greatest: [3], rows: [] });
  const unmet = solver({ least: [0], greatest: [3], rows: [{ terms: goal, least: 5, greatest: 9 }] });
  expect(crossed.extreme(goal, "least")).toEqual({ kind: "impossible" });
  expect(unmet.extreme(goal, "least")).toEqual({ kind: "impossible" });
  crossed.close();
  unmet.close();
});

test("many systems can be opened one after another", () => {
  for (let i = 0; i < 2000; i += 1) {
    const opened = solver({ least: [0, 0], greatest: [i, i], rows: [] });
    const answer = opened.extreme(termsOf([1]), "greatest");
    opened.close();
    if (answer.kind !== "found" || answer.values[0] !== i) throw new Error(`system ${i}`);
  }
});
