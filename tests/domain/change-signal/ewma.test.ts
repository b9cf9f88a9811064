import fc from "fast-check";
import { expect, test } from "vitest";
import { ewmaLimits, ewmaPoints } from "../../../src/domain/change-signal/ewma.ts";

// Published values: tests/published/control-charts.test.ts.
const settings = { centre: 2, sigma: 0.5, lambda: 0.2, width: 3 };

test("with all the weight on the newest value it is the value itself", () => {
  expect(ewmaPoints([1, 5, 3], { ...settings, lambda: 1 }).map((point) => point.statistic)).toEqual([1, 5, 3]);
});

test("limits widen with time and never pass the steady state", () => {
  const steady = ewmaLimits(Number.POSITIVE_INFINITY, settings);
  const uppers = ewmaPoints(Array(40).fill(2), settings).map((point) => point.upper);
  uppers.forEach((upper, i) => {
    expect(upper).toBeLessThanOrEqual(steady.upper);
    if (i > 0) expect(upper).toBeGreaterThan(uppers[i - 1] ?? Number.NaN);
  });
});

test("the average always lies between the least and the greatest of the centre and the values", () => {
  fc.assert(
    fc.property(fc.array(fc.integer({ min: 0, max: 12 }), { minLength: 1, maxLength: 60 }), (values) => {
      const [least, greatest] = [Math.min(2, ...values), Math.max(2, ...values)];
      for (const { statistic } of ewmaPoints(values, settings)) {
        expect(statistic).toBeGreaterThanOrEqual(least - 1e-9);
        expect(statistic).toBeLessThanOrEqual(greatest + 1e-9);
      }
    }),
  );
});
