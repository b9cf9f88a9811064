import fc from "fast-check";
import type { LinearSystem } from "../../../src/domain/disclosure/linear-system.ts";

/** A system and a table that fits it. */
export interface FittedSystem {
  readonly system: LinearSystem;
  readonly values: readonly number[];
}

/**
 * Systems of up to `most` unknowns as tables make them: wholes that are the sum of their parts, wholes that are no less than
 * a part, some unknowns known and others within bounds, all around a table that fits.
 */
export function fittedSystems(most: number): fc.Arbitrary<FittedSystem> {
  const value = fc.record({ value: fc.integer({ min: 0, max: 4 }), below: fc.nat(2), above: fc.nat(2) });
  return fc.integer({ min: 3, max: most }).chain((count) => {
    const terms = fc.uniqueArray(fc.nat(count - 1), { minLength: 2, maxLength: 4 });
    const row = fc.record({
      terms,
      exactly: fc.boolean(),
      signs: fc.array(fc.boolean(), { minLength: 4, maxLength: 4 }),
    });
    return fc
      .record({ cells: fc.array(value, { minLength: count, maxLength: count }), rows: fc.array(row, { maxLength: 4 }) })
      .map(({ cells, rows }) => ({
        values: cells.map((cell) => cell.value),
        system: {
          least: cells.map((cell) => Math.max(0, cell.value - cell.below)),
          greatest: cells.map((cell) => cell.value + cell.above),
          rows: rows.map(({ terms: variables, exactly, signs }) => {
            const own = variables.map((variable, i) => ({ variable, times: signs[i] ? 1 : -1 }));
            const sum = own.reduce((total, { variable, times }) => total + times * (cells[variable]?.value ?? 0), 0);
            return { terms: own, least: sum, greatest: exactly ? sum : Number.POSITIVE_INFINITY };
          }),
        },
      }));
  });
}
