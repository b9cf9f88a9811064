import { createHmac } from "node:crypto";
import { describe, expect, test } from "vitest";
import {
  geometricNoise,
  geometricProbability,
  geometricRatio,
  geometricVariance,
  laplaceHalfWidth,
  laplaceNoise,
  laplaceScale,
  laplaceTail,
  mostCellsOfOnePerson,
  type NoiseSource,
  noisyCount,
  personsIn,
} from "../../../src/domain/disclosure/noise.ts";
import { flat, grid, tableOf } from "./example-tables.ts";

/** Numbers from HMAC-SHA-256 in counter mode, 53 bits each. */
function keyed(key: string): NoiseSource {
  return (label) => {
    let block = 0;
    return () => {
      const bytes = createHmac("sha256", key).update(`${label} ${block++}`).digest();
      return Number(bytes.readBigUInt64BE() >> 11n) / 2 ** 53;
    };
  };
}

function drawn(count: number, draw: (uniform: () => number) => number): number[] {
  const uniform = keyed("a fixed seed")("sample");
  return Array.from({ length: count }, () => draw(uniform));
}

describe("Laplace noise (formulas: PSI Library, OpenDP; the values calculated from them)", () => {
  test.each([
    [0.5, 2, 2.83, 5.991, 0.0821],
    [1, 1, 1.41, 2.996, 0.00674],
    [0.1, 10, 14.14, 29.96, 0.6065],
  ])("epsilon %d: scale %d, SD %d, 95 % half-width %d, P(|noise| >= 5) %d", (epsilon, scale, sd, half, tail) => {
    expect(laplaceScale(1, epsilon)).toBeCloseTo(scale, 10);
    expect(Math.SQRT2 * laplaceScale(1, epsilon)).toBeCloseTo(sd, 2);
    expect(laplaceHalfWidth(scale, 0.05)).toBeCloseTo(half, 2);
    expect(laplaceTail(scale, 5)).toBeCloseTo(tail, 4);
  });

  test("twenty thousand draws follow the distribution (Kolmogorov-Smirnov, 1 %)", () => {
    const scale = 2;
    const sample = drawn(20_000, (uniform) => laplaceNoise(uniform, scale)).sort((a, b) => a - b);
    const below = (x: number) => (x < 0 ? laplaceTail(scale, -x) / 2 : 1 - laplaceTail(scale, x) / 2);
    const gaps = sample.map((x, i) =>
      Math.max(Math.abs(below(x) - i / sample.length), Math.abs(below(x) - (i + 1) / sample.length)),
    );
    // Critical value 1.628 / sqrt(n), from tables (from memory).
    expect(Math.max(...gaps)).toBeLessThan(1.628 / Math.sqrt(sample.length));
  });
});

describe("two-sided geometric noise (calculated)", () => {
  test.each([
    [1, 0.4621, 1.8413],
    [0.5, 0.2449, 7.835],
  ])("epsilon %d: P(0) %d, variance %d", (epsilon, none, variance) => {
    const ratio = geometricRatio(1, epsilon);
    expect(geometricProbability(ratio, 0)).toBeCloseTo(none, 4);
    expect(geometricVariance(ratio)).toBeCloseTo(variance, 3);
    const sizes = Array.from({ length: 401 }, (_, i) => i - 200);
    expect(sizes.reduce((sum, size) => sum + geometricProbability(ratio, size), 0)).toBeCloseTo(1, 10);
    expect(sizes.reduce((sum, size) => sum + size ** 2 * geometricProbability(ratio, size), 0)).toBeCloseTo(
      variance,
      3,
    );
  });

  test("twenty thousand draws follow the distribution (chi-square, 1 %)", () => {
    const ratio = geometricRatio(1, 1);
    const sample = drawn(20_000, (uniform) => geometricNoise(uniform, ratio));
    const sizes = [-5, -4, -3, -2, -1, 0, 1, 2, 3, 4, 5];
    const classes = sizes.map((size) => ({
      seen: sample.filter((drawing) => drawing === size).length,
      expected: sample.length * geometricProbability(ratio, size),
    }));
    const rest = {
      seen: sample.length - classes.reduce((sum, { seen }) => sum + seen, 0),
      expected: sample.length - classes.reduce((sum, { expected }) => sum + expected, 0),
    };
    const statistic = [...classes, rest].reduce(
      (sum, { seen, expected }) => sum + (seen - expected) ** 2 / expected,
      0,
    );
    // 99th percentile of chi-square with 11 degrees of freedom, from tables (from memory): 24.72.
    expect(statistic).toBeLessThan(24.72);
  });

  test("twice the sensitivity is half the epsilon", () => {
    expect(geometricRatio(2, 1)).toBeCloseTo(geometricRatio(1, 0.5), 12);
  });
});

describe("a noisy count", () => {
  const noise = { source: keyed("secret"), epsilon: 0.5, sensitivity: 1 };

  test("is the same each time it is asked for, and of its own release and cell", () => {
    const keys = Array.from({ length: 50 }, (_, i) => `n;site=${i}`);
    const first = keys.map((key) => noisyCount(100, "q1", key, noise));
    expect(keys.map((key) => noisyCount(100, "q1", key, noise))).toEqual(first);
    expect(keys.map((key) => noisyCount(100, "q2", key, noise))).not.toEqual(first);
    expect(new Set(first).size).toBeGreaterThan(5);
  });

  test("is never less than nobody", () => {
    const counts = Array.from({ length: 200 }, (_, i) => noisyCount(0, "q1", `n;site=${i}`, noise));
    expect(Math.min(...counts)).toBe(0);
    expect(Math.max(...counts)).toBeGreaterThan(0);
  });
});

test("one person is in a leaf and all above it, and in every month", () => {
  expect(
    mostCellsOfOnePerson([
      grid("n", [
        [1, 1],
        [1, 1],
      ]),
    ]),
  ).toBe(4);
  expect(mostCellsOfOnePerson([tableOf("n", [flat("age", ["a", "b"])], () => 1), tableOf("m", [], () => 1)])).toBe(3);
  const months = { key: "all", parts: [{ key: "a" }, { key: "b" }, { key: "c" }] };
  const table = tableOf("n", [{ name: "month", whole: months, parts: "overlapping" }, flat("age", ["a"])], () => 1);
  expect(mostCellsOfOnePerson([table])).toBe(8);
});

test("persons are counted, not their sessions", () => {
  const records = [
    { person: "p1", key: "a" },
    { person: "p1", key: "a" },
    { person: "p2", key: "a" },
    { person: "p1", key: "b" },
  ];
  expect([...personsIn(records)]).toEqual([
    ["a", 2],
    ["b", 1],
  ]);
});
