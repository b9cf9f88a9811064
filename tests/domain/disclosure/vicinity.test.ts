import fc from "fast-check";
import { expect, test } from "vitest";
import { solutionsOf } from "../../../src/domain/disclosure/enumeration.ts";
import { fittingTable, indexed } from "../../../src/domain/disclosure/indexed-system.ts";
import { satisfies } from "../../../src/domain/disclosure/linear-system.ts";
import { tightened } from "../../../src/domain/disclosure/propagation.ts";
import { vicinityOf } from "../../../src/domain/disclosure/vicinity.ts";
import { fittedSystems } from "./example-systems.ts";

test("whatever fits near the goal fits the whole, beside the others as they are", () => {
  let partial = 0;
  fc.assert(
    fc.property(fittedSystems(7), fc.integer({ min: 1, max: 5 }), ({ system, values }, most) => {
      const whole = indexed(system);
      const [table, bounds] = [fittingTable(whole, values), tightened(whole)];
      if (table === undefined || bounds === undefined) throw new Error("it fits");
      const near = vicinityOf(whole, bounds, table, [{ variable: 0, times: 1 }], most);
      expect(near.variables.length).toBeLessThanOrEqual(Math.max(most, 1));
      if (near.variables.length > 1 && near.variables.length < values.length) partial += 1;
      const own = near.variables.map((variable) => values[variable] ?? Number.NaN);
      expect(satisfies(near.system, own)).toBe(true);
      for (const found of solutionsOf(near.system)) {
        const after = [...values];
        for (const [i, variable] of near.variables.entries()) after[variable] = found[i] ?? Number.NaN;
        expect(satisfies(system, after)).toBe(true);
      }
    }),
    { numRuns: 100 },
  );
  expect(partial).toBeGreaterThan(10);
});
