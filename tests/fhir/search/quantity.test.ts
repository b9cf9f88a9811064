import { expect, test } from "vitest";
import { numberMatches } from "../../../src/fhir/search/compare.ts";
import { quantitiesOf, quantityTests } from "../../../src/fhir/search/quantity.ts";

const ucum = "http://unitsofmeasure.org";

function answers(query: string, stored: unknown): boolean {
  const tests = quantityTests(query);
  if (!tests.ok) throw new Error("the example is not read");
  return quantitiesOf(stored, "1").some((entry) =>
    tests.value.some((one) => one.unit === entry.unit && numberMatches(one, entry.low, entry.high)),
  );
}

const milligrams = (value: number) => ({ value, unit: "mg", system: ucum, code: "mg" });

// The examples of https://hl7.org/fhir/R4/search.html#quantity.
test.each([
  ["5.4|http://unitsofmeasure.org|mg", milligrams(5.36), true],
  ["5.4|http://unitsofmeasure.org|mg", milligrams(5.45), false],
  ["5.4||mg", milligrams(5.4), true],
  ["5.4||mg", { value: 5.4, unit: "mg" }, true],
  ["5.4||mg", { value: 5.4, unit: "milligram", system: ucum, code: "mg" }, true],
  ["5.4||milligram", { value: 5.4, unit: "milligram", system: ucum, code: "mg" }, true],
  ["5.4||mg", { value: 5.4, system: "http://other.example", code: "mg" }, true],
  ["5.4|http://unitsofmeasure.org|mg", { value: 5.4, unit: "mg" }, false],
  ["5.4", milligrams(5.4), true],
  ["5.4", { value: 5.4, unit: "g" }, true],
  ["le5.4|http://unitsofmeasure.org|mg", milligrams(5.4), true],
  ["le5.4|http://unitsofmeasure.org|mg", milligrams(5.41), false],
  ["ap5.4|http://unitsofmeasure.org|mg", milligrams(5.9), true],
  ["ap5.4|http://unitsofmeasure.org|mg", milligrams(6), false],
])("%s asked of %o answers %s", (query, stored, expected) => {
  expect(answers(query, stored)).toBe(expected);
});

// The amounts are those of ucum.test.ts.
test("a flow in L/s is found by its amount in L/min, and a pressure in kPa by cm[H2O]", () => {
  expect(answers("lt270|http://unitsofmeasure.org|L/min", { value: 4.4, system: ucum, code: "L/s" })).toBe(true);
  expect(answers("ge162|http://unitsofmeasure.org|L/min", { value: 2.7, system: ucum, code: "L/s" })).toBe(true);
  expect(answers("40|http://unitsofmeasure.org|cm[H2O]", { value: 3.92266, system: ucum, code: "kPa" })).toBe(true);
});

// https://hl7.org/fhir/R4/datatypes.html#Quantity: "<" means that the actual value is less than the given one.
test("a value with a comparator may be anything on that side", () => {
  const below = { value: 160, comparator: "<", unit: "L/min", system: ucum, code: "L/min" };
  expect(answers("lt100|http://unitsofmeasure.org|L/min", below)).toBe(true);
  expect(answers("gt170|http://unitsofmeasure.org|L/min", below)).toBe(false);
});

test("a measured value with its UCUM unit takes two entries", () => {
  expect(quantitiesOf({ value: 40, unit: "cm[H2O]", system: ucum, code: "cm[H2O]" }, "1")).toHaveLength(2);
});

test("no value, no entry", () => {
  expect(quantitiesOf({ unit: "mg" }, "1")).toEqual([]);
  expect(quantitiesOf("5", "1")).toEqual([]);
  expect(quantitiesOf(null, "1")).toEqual([]);
});

test.each(["much", "lt", "5,4", "5.4|http://unitsofmeasure.org", "0x10", "1e9999", "1e999"])(
  "%o is refused",
  (query) => {
    expect(quantityTests(query).ok).toBe(false);
  },
);
