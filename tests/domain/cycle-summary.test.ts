import { describe, expect, test } from "vitest";
import { percentile, summariseCycles } from "../../src/domain/cycle-summary.ts";

describe("percentiles are type 7 of Hyndman & Fan 1996, as Python's statistics.quantiles(method='inclusive') computes", () => {
  test.each([
    [[38, 41, 39, 40, 36, 40, 42, 39, 40, 37], 39.5, 36.45, 41.55],
    [[-40, -38, -41, -39], -39.5, -40.85, -38.15],
    [[12, 15], 13.5, 12.15, 14.85],
  ])("%j", (values, median, p5, p95) => {
    expect(percentile(values, 0.5)).toBeCloseTo(median, 12);
    expect(percentile(values, 0.05)).toBeCloseTo(p5, 12);
    expect(percentile(values, 0.95)).toBeCloseTo(p95, 12);
  });

  test("one value is every percentile of itself", () => {
    expect(percentile([7], 0.05)).toBe(7);
  });

  test("no values have no percentile", () => {
    expect(percentile([], 0.5)).toBeUndefined();
  });

  test("the list given is left in its order", () => {
    const values = [3, 1, 2];
    percentile(values, 0.5);
    expect(values).toEqual([3, 1, 2]);
  });
});

describe("the summary of a session's cycles", () => {
  test("counts, medians and percentiles of three cycles", () => {
    const summary = summariseCycles([
      {
        peakInsufflationPressureCmH2O: 38,
        peakExsufflationPressureCmH2O: -40,
        insufflatedVolumeMillilitres: 900,
        peakCoughFlowLitresPerMinute: 180,
        triggered: true,
      },
      {
        peakInsufflationPressureCmH2O: 40,
        peakExsufflationPressureCmH2O: -42,
        insufflatedVolumeMillilitres: 1100,
        peakCoughFlowLitresPerMinute: 150,
        triggered: false,
      },
      {
        peakInsufflationPressureCmH2O: 39,
        peakExsufflationPressureCmH2O: -38,
        insufflatedVolumeMillilitres: 1000,
        peakCoughFlowLitresPerMinute: 170,
        triggered: true,
      },
    ]);
    expect(summary).toEqual({
      cyclesDelivered: 3,
      cyclesTriggered: 2,
      achievedInsufflationPressureCmH2O: { median: 39, p5: expect.closeTo(38.1, 9), p95: expect.closeTo(39.9, 9) },
      achievedExsufflationPressureCmH2O: { median: -40, p5: expect.closeTo(-41.8, 9), p95: expect.closeTo(-38.2, 9) },
      insufflatedVolumeMillilitres: 1000,
      peakCoughFlowLitresPerMinute: 170,
    });
  });

  test("what no cycle states stays absent, triggers included", () => {
    expect(summariseCycles([{}, { peakCoughFlowLitresPerMinute: 160 }])).toEqual({
      cyclesDelivered: 2,
      peakCoughFlowLitresPerMinute: 160,
    });
  });

  test("no cycles say nothing, not zero cycles", () => {
    expect(summariseCycles([])).toEqual({});
  });
});
