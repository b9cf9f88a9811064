import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { jaro, nameLikeness } from "../../src/domain/name-likeness.ts";

// W. E. Winkler, String Comparator Metrics and Enhanced Decision Rules in the Fellegi-Sunter Model of Record Linkage,
// 1990, and the pairs of the tables that Census Bureau reports repeat after it; three decimals as printed.
const published: [one: string, other: string, jaro: number, winkler: number][] = [
  ["MARTHA", "MARHTA", 0.944, 0.961],
  ["DWAYNE", "DUANE", 0.822, 0.84],
  ["DIXON", "DICKSONX", 0.767, 0.813],
];

describe("the likeness of two names", () => {
  test.each(published)("%s and %s are as alike as published", (one, other, byJaro, byWinkler) => {
    expect(jaro(one, other)).toBeCloseTo(byJaro, 3);
    expect(nameLikeness(one, other)).toBeCloseTo(byWinkler, 3);
  });

  test("texts without a letter in common are not alike at all, nor is anything like an empty text", () => {
    expect(nameLikeness("abc", "xyz")).toBe(0);
    expect(nameLikeness("", "xyz")).toBe(0);
    expect(nameLikeness("", "")).toBe(0);
  });

  test("letters beyond the basic plane count as one letter each", () => {
    expect(nameLikeness("𠮷野", "𠮷田")).toBeCloseTo(2 / 3 + 0.1 / 3, 9);
  });

  // Few different letters, so that pairing them up is ambiguous often.
  const text = fc.string({ unit: fc.constantFrom("a", "b", "c"), minLength: 1, maxLength: 10 });

  test("the order of the two makes no difference, and only equal texts are wholly alike", () => {
    fc.assert(
      fc.property(text, text, (one, other) => {
        const likeness = nameLikeness(one, other);
        expect(likeness).toBe(nameLikeness(other, one));
        expect(likeness).toBeGreaterThanOrEqual(0);
        expect(likeness === 1).toBe(one === other);
      }),
      { numRuns: 2000 },
    );
  });
});
