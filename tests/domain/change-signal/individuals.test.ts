import { expect, test } from "vitest";
import { individualsLimits, movingRangeFactors } from "../../../src/domain/change-signal/individuals.ts";

// Published values: tests/published/control-charts.test.ts.
test("values that never vary have limits on the centre itself", () => {
  expect(individualsLimits([2, 2, 2], movingRangeFactors.exact)).toEqual({
    centre: 2,
    meanMovingRange: 0,
    sigma: 0,
    lower: 2,
    upper: 2,
  });
});

test("order matters for the spread, not for the centre", () => {
  const slow = individualsLimits([1, 1, 3, 3], movingRangeFactors.exact);
  const quick = individualsLimits([1, 3, 1, 3], movingRangeFactors.exact);
  expect(slow.centre).toBe(quick.centre);
  expect([slow.meanMovingRange, quick.meanMovingRange]).toEqual([2 / 3, 2]);
});

test("one value is refused, because it has no spread", () => {
  expect(() => individualsLimits([2], movingRangeFactors.exact)).toThrow(RangeError);
});
