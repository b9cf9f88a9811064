import { expect, test } from "vitest";
import { pooledShare, proportionLimits } from "../../../src/domain/change-signal/proportion.ts";

// Published values: tests/published/control-charts.test.ts.
test("samples are pooled by what they are of, not averaged", () => {
  expect(
    pooledShare([
      { count: 1, of: 1 },
      { count: 0, of: 3 },
    ]),
  ).toBe(0.25);
});

test("samples of nothing have no share", () => {
  expect(pooledShare([])).toBeUndefined();
  expect(pooledShare([{ count: 0, of: 0 }])).toBeUndefined();
});

test("limits stay within 0 and 1", () => {
  expect(proportionLimits(0.95, 14)).toMatchObject({ upper: 1 });
  expect(proportionLimits(0.05, 14)).toMatchObject({ lower: 0 });
});
