import { expect, test } from "vitest";
import { inCanonicalUnit } from "../../../src/fhir/search/ucum.ts";

// ucum-essence.xml 2.0.1: m[H2O] is 9.80665 kPa, m[Hg] is 133.3220 kPa.
test.each([
  [40, "cm[H2O]", 3.92266, "kPa"],
  [25, "cm[H2O]", 24.516625, "hPa"],
  [60, "cm[H2O]", 58.8399, "mbar"],
  [-40, "cm[H2O]", -39.2266, "hPa"],
  [270, "L/min", 4.5, "L/s"],
  [162, "L/min", 2.7, "L/s"],
  [245.4, "L/min", 4.09, "L/s"],
  [1_500, "mL", 1.5, "L"],
  [90, "min", 1.5, "h"],
  [2_500, "ms", 2.5, "s"],
] as const)("%d %s is the same amount as %d %s", (one, unit, other, otherUnit) => {
  expect(inCanonicalUnit(unit, one)).toEqual(inCanonicalUnit(otherUnit, other));
});

test("millimetres of mercury are UCUM's, not the physical atmosphere's", () => {
  expect(inCanonicalUnit("mm[Hg]", 1)).toEqual({ unit: "Pa", value: 133.322 });
});

// https://ucum.org/ucum#section-Annotations: text in braces has no meaning.
test("an annotation carries no meaning", () => {
  expect(inCanonicalUnit("{cycle}", 12)).toEqual({ unit: "1", value: 12 });
  expect(inCanonicalUnit("{beats}/min", 70)).toEqual({ unit: "/min", value: 70 });
});

test("a unit that is not in the table is compared only with itself", () => {
  expect(inCanonicalUnit("mg/dL", 6.3)).toEqual({ unit: "mg/dL", value: 6.3 });
});
