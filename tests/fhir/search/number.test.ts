import { expect, test } from "vitest";
import { justBelow, rangeOfNumber } from "../../../src/fhir/search/number.ts";

// https://hl7.org/fhir/R4/search.html#number and #quantity (5.4 is ±0.05, 5.40e-3 is ±0.000005);
// 1e2 as https://hl7.org/fhir/R5/search.html#number corrects it.
test.each([
  ["100", 99.5, 100.5],
  ["100.00", 99.995, 100.005],
  ["1e2", 50, 150],
  ["5.4", 5.35, 5.45],
  ["5.40e-3", 0.005395, 0.005405],
  ["-40", -40.5, -39.5],
  ["0", -0.5, 0.5],
] as const)("%s stands for the numbers from %d up to %d", (text, low, high) => {
  expect(rangeOfNumber("eq", text)).toEqual({ low, high });
});

// https://hl7.org/fhir/R4/search.html#number: with gt, lt, ge, le, sa and eb "the implicit precision is ignored".
test.each(["gt", "lt", "ge", "le", "sa", "eb"] as const)("%s compares with the number itself", (prefix) => {
  expect(rangeOfNumber(prefix, "100")).toEqual({ low: 100, high: 100 });
});

test("approximately is a tenth to either side, of a negative number too", () => {
  expect(rangeOfNumber("ap", "-40")).toEqual({ low: -44, high: -36 });
});

test("just below is less than the bound and greater than anything written with fifteen digits", () => {
  for (const bound of [100.5, -39.5, 0.005405, 0, 3_432.3275]) expect(justBelow(bound)).toBeLessThan(bound);
  expect(justBelow(100.5)).toBeGreaterThan(100.499999999999);
});
