import fc from "fast-check";
import { expect, test } from "vitest";
import { addValue, type Histogram, medianOf, merged, sizeOf } from "../../../src/domain/population/histogram.ts";

function histogramOf(values: readonly number[]): Histogram {
  const histogram: Histogram = new Map();
  for (const value of values) addValue(histogram, value);
  return histogram;
}

test("the median is that of the sorted list, in whatever order and however split the values come", () => {
  const values = fc.array(fc.integer({ min: 0, max: 30 }), { minLength: 1, maxLength: 40 });
  fc.assert(
    fc.property(values, fc.nat(), (list, cut) => {
      const sorted = [...list].sort((a, b) => a - b);
      const half = sorted.length / 2;
      const expected =
        sorted.length % 2 === 1
          ? sorted[Math.floor(half)]
          : ((sorted[half - 1] as number) + (sorted[half] as number)) / 2;
      const at = cut % list.length;
      const split = [histogramOf(list.slice(0, at)), histogramOf(list.slice(at))];
      expect(medianOf(histogramOf(list))).toBe(expected);
      expect(medianOf(merged(split))).toBe(expected);
      expect(sizeOf(merged(split))).toBe(list.length);
    }),
  );
});

test("nothing has no median, and merging changes none of its parts", () => {
  expect(medianOf(new Map())).toBeUndefined();
  const part = histogramOf([1, 2]);
  merged([part, histogramOf([2, 3])]);
  expect([...part]).toEqual([
    [1, 1],
    [2, 1],
  ]);
});
