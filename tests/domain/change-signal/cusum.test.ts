import fc from "fast-check";
import { expect, test } from "vitest";
import { cusumPoints } from "../../../src/domain/change-signal/cusum.ts";

// Published values: tests/published/control-charts.test.ts.
test("values within the slack of the target leave both sums at 0", () => {
  expect(cusumPoints([2.5, 1.5, 2], 2, 0.5)).toEqual(Array(3).fill({ high: 0, low: 0 }));
});

test("mirrored values have the sums exchanged", () => {
  fc.assert(
    fc.property(fc.array(fc.integer({ min: 0, max: 12 }), { maxLength: 60 }), (values) => {
      const mirrored = cusumPoints(
        values.map((value) => 4 - value),
        2,
        0.5,
      );
      expect(mirrored).toEqual(cusumPoints(values, 2, 0.5).map(({ high, low }) => ({ high: low, low: high })));
    }),
  );
});
