import { describe, expect, test } from "vitest";
import { cusumPoints } from "../../src/domain/change-signal/cusum.ts";
import { diagnosticFigures, ventilationAnalogues } from "../../src/domain/change-signal/diagnostic.ts";
import { ewmaLimits, ewmaPoints } from "../../src/domain/change-signal/ewma.ts";
import { individualsLimits, movingRangeFactors } from "../../src/domain/change-signal/individuals.ts";
import { pooledShare, proportionLimits } from "../../src/domain/change-signal/proportion.ts";
import { runSignals } from "../../src/domain/change-signal/run-rules.ts";

const rounded = (value: number, decimals: number) => Number(value.toFixed(decimals));

describe("NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2, individuals chart", () => {
  const x = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];

  test("the mean is 50.81, the mean moving range 1.8778, and the limits 55.8041 and 45.8159", () => {
    const limits = individualsLimits(x, movingRangeFactors.exact);
    expect(rounded(limits.centre, 2)).toBe(50.81);
    expect(rounded(limits.meanMovingRange, 4)).toBe(1.8778);
    expect([rounded(limits.upper, 4), rounded(limits.lower, 4)]).toEqual([55.8041, 45.8159]);
  });

  // Recomputed: the handbook prints the exact constant only.
  test("with the rounded constant 2.66 they are 55.8049 and 45.8151", () => {
    const limits = individualsLimits(x, movingRangeFactors.rounded);
    expect([rounded(limits.upper, 4), rounded(limits.lower, 4)]).toEqual([55.8049, 45.8151]);
  });
});

describe("NIST/SEMATECH e-Handbook 6.3.2.3, tabular CUSUM", () => {
  const x = [
    324.925, 324.675, 324.725, 324.35, 325.35, 325.225, 324.125, 324.525, 325.225, 324.6, 324.625, 325.15, 328.325,
    327.25, 327.825, 328.5, 326.675, 327.775, 326.875, 328.35,
  ];
  const points = cusumPoints(x, 325, 0.3175);

  test("the upper sums are those of the table", () => {
    expect(points.map(({ high }) => rounded(high, 4))).toEqual([
      0, 0, 0, 0, 0.0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035,
    ]);
  });

  test("the lower sums are those of the table", () => {
    expect(points.map(({ low }) => rounded(low, 4))).toEqual([
      0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.715, 0.1725, 0.255, 0.3125, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    ]);
  });

  test("with a decision interval of 4.1959 the first signal is group 14", () => {
    expect(points.findIndex(({ high, low }) => Math.max(high, low) > 4.1959) + 1).toBe(14);
  });
});

describe("NIST/SEMATECH e-Handbook 6.3.2.4, EWMA", () => {
  const x = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6,
    52.1,
  ];
  const settings = { centre: 50, sigma: 2.0539, lambda: 0.3, width: 3 };

  test("the averages are those of the table", () => {
    expect(ewmaPoints(x, settings).map(({ statistic }) => rounded(statistic, 2))).toEqual([
      50.6, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92,
      50.73, 51.23, 51.94, 51.99,
    ]);
  });

  test("the steady limits are 52.5884 and 47.4115 within a unit of the last place, and no average is outside", () => {
    const { lower, upper } = ewmaLimits(Number.POSITIVE_INFINITY, settings);
    expect(Math.abs(upper - 52.5884)).toBeLessThan(1e-4);
    expect(Math.abs(lower - 47.4115)).toBeLessThan(1e-4);
    for (const { statistic } of ewmaPoints(x, settings)) expect(statistic > lower && statistic < upper).toBe(true);
  });
});

// The data as quoted in a public manual of a chart library, which cites Montgomery, Introduction to Statistical Quality Control.
describe("Montgomery's EWMA and CUSUM example, mean 10 and standard deviation 1", () => {
  const x = [
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.2, 10.34, 9.03, 11.47, 10.51, 9.4, 10.08, 9.37, 10.62, 10.31,
    8.52, 10.84, 10.9, 9.33, 12.29, 11.5, 10.6, 11.08, 10.38, 11.62, 11.31, 10.52,
  ];
  const settings = { centre: 10, sigma: 1, lambda: 0.1, width: 2.7 };
  const points = ewmaPoints(x, settings);
  const at = (number: number) => points[number - 1];

  test("the averages at 1, 2, 3, 28, 29 and 30 are those printed", () => {
    expect(at(1)?.statistic).toBeCloseTo(9.945, 10);
    expect(at(2)?.statistic).toBeCloseTo(9.7495, 10);
    // Exactly 9.70355, which is printed rounded up.
    expect(Math.abs((at(3)?.statistic ?? 0) - 9.7036)).toBeLessThan(1e-4);
    expect([28, 29, 30].map((number) => rounded(at(number)?.statistic ?? 0, 4))).toEqual([10.5731, 10.6468, 10.6341]);
  });

  test("the limits begin at 10.27 and 9.73, widen to 10.36 and 9.64, and end at 10.62 and 9.38", () => {
    const limits = (number: number) => [rounded(at(number)?.upper ?? 0, 2), rounded(at(number)?.lower ?? 0, 2)];
    expect([limits(1), limits(2)]).toEqual([
      [10.27, 9.73],
      [10.36, 9.64],
    ]);
    const steady = ewmaLimits(Number.POSITIVE_INFINITY, settings);
    expect([rounded(steady.upper, 2), rounded(steady.lower, 2)]).toEqual([10.62, 9.38]);
  });

  // Recomputed from the printed data.
  test("only 29 and 30 lie outside", () => {
    const outside = points.flatMap((point, i) =>
      point.statistic > point.upper || point.statistic < point.lower ? [i + 1] : [],
    );
    expect(outside).toEqual([29, 30]);
  });

  // Recomputed from the printed data.
  test("the CUSUM with slack 0.5 and decision interval 5 first signals at 29", () => {
    const high = cusumPoints(x, 10, 0.5).map((point) => point.high);
    expect([28, 29, 30].map((number) => rounded(high[number - 1] ?? 0, 2))).toEqual([4.47, 5.28, 5.3]);
    expect(high.findIndex((sum) => sum > 5) + 1).toBe(29);
  });
});

// The same data as Montgomery's orange juice cans.
describe("NIST/SEMATECH e-Handbook 6.3.3.2, proportion chart of 30 samples of 50", () => {
  const counts = [
    12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6,
  ];
  const centre = pooledShare(counts.map((count) => ({ count, of: 50 }))) ?? 0;

  test("347 of 1500 is 0.2313, and the limits are 0.4102 and 0.0524", () => {
    const { lower, upper } = proportionLimits(centre, 50);
    expect([rounded(centre, 6), rounded(upper, 4), rounded(lower, 4)]).toEqual([0.231333, 0.4102, 0.0524]);
  });

  test("samples 15 and 23 are out of control", () => {
    const { lower, upper } = proportionLimits(centre, 50);
    const outside = counts.flatMap((count, i) => (count / 50 > upper || count / 50 < lower ? [i + 1] : []));
    expect(outside).toEqual([15, 23]);
  });
});

// Vectors of the tests of the R package NHSRplotthedots 0.2.2.
describe("the run rules of NHS charts", () => {
  const nhs = { centre: 0, sigma: 1, rules: "nhs" } as const;
  const firedAt = (values: number[], settings: Parameters<typeof runSignals>[1], rule: string) =>
    runSignals(values, settings).flatMap((signal, i) => (signal?.rule === rule ? [i + 1] : []));

  test("eight values on one side and one on the other: the shift is there at the seventh and eighth", () => {
    const half = [0.5, 0.4, 0.5, 0.4, 0.5, 0.4, 0.5, 0.4, -0.5];
    expect(firedAt(half, nhs, "run-one-side")).toEqual([7, 8]);
  });

  test("1 to 7 is a trend at 7, up; 7 to 1 one down", () => {
    const wide = { centre: 4, sigma: 10, rules: "nhs" } as const;
    expect(firedAt([1, 2, 3, 4, 5, 6, 7], wide, "trend")).toEqual([7]);
    expect(runSignals([7, 6, 5, 4, 3, 2, 1], wide).at(-1)).toEqual({ rule: "trend", direction: "down" });
  });

  test("1, 2, 3, 3, 4, 5, 6 is no trend", () => {
    expect(firedAt([1, 2, 3, 3, 4, 5, 6], { centre: 4, sigma: 10, rules: "nhs" }, "trend")).toEqual([]);
  });

  test("two values near opposite limits are no two of three", () => {
    expect(firedAt([2.5, 0, -2.5], nhs, "two-of-three")).toEqual([]);
    expect(firedAt([2.5, 0, 2.5], nhs, "two-of-three")).toEqual([3]);
  });
});

// Blouet et al. 2018, Int J COPD 13:2577-2586, rules A and B as printed.
test("the two-by-two figures of the ventilation analogue are those printed", () => {
  const printed = ventilationAnalogues.map((table) => {
    const figures = diagnosticFigures(table);
    return [
      rounded(100 * figures.sensitivity, 1),
      rounded(100 * figures.specificity, 1),
      rounded(100 * figures.positivePredictiveValue, 1),
      rounded(100 * figures.negativePredictiveValue, 1),
      rounded(figures.relativeRisk, 1),
    ];
  });
  expect(printed).toEqual([
    [57.1, 80.5, 60.0, 78.6, 2.8],
    [81.0, 63.4, 53.1, 86.7, 4.0],
  ]);
});

// Probabilities of the normal distribution: one false point in about 370 for three sigma alone.
test("on values that only vary by chance, all four Western Electric rules fire about once in 92 values", () => {
  let state = 12_345;
  const uniform = () => {
    state = (Math.imul(state, 1_664_525) + 1_013_904_223) >>> 0;
    return (state + 0.5) / 2 ** 32;
  };
  const normal = () => Math.sqrt(-2 * Math.log(uniform())) * Math.cos(2 * Math.PI * uniform());
  // 91.75 values on average until the first of the four (Champ & Woodall 1987, Technometrics 29:393-399; the place from memory).
  let total = 0;
  const runs = 3_000;
  for (let run = 0; run < runs; run += 1) {
    const recent: number[] = [];
    let length = 0;
    for (;;) {
      length += 1;
      recent.push(normal());
      if (recent.length > 8) recent.shift();
      if (runSignals(recent, { centre: 0, sigma: 1, rules: "western-electric" }).at(-1) !== undefined) break;
    }
    total += length;
  }
  expect(Math.abs(total / runs - 91.75)).toBeLessThan(6);
});
