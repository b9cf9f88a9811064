import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { valueInUnit } from "../../src/fhir/unit.ts";

const system = "http://unitsofmeasure.org";

// UCUM (ucum-essence.xml 2.0.1): m[H2O] is 9.80665 kPa, so 1 kPa is 10.1971621298 cm[H2O]; m[Hg] is 133.3220 kPa.
describe("a quantity in the unit that the trade computes with", () => {
  test.each([
    [{ value: 3.5, code: "kPa", system }, "cm[H2O]", 35.6900674542],
    [{ value: -40, code: "hPa", system }, "cm[H2O]", -40.7886485191],
    [{ value: 30, code: "mm[Hg]", system }, "cm[H2O]", 40.785181484],
    [{ value: 2.7, code: "L/s", system }, "L/min", 162],
    [{ value: 1.45, code: "L", system }, "mL", 1450],
    [{ value: 1.5, code: "Hz", system }, "/min", 90],
    [{ value: 1500, code: "ms", system }, "s", 1.5],
  ])("%o in %s", (quantity, unit, expected) => {
    expect(valueInUnit(quantity, unit)).toBe(expected);
  });

  test("a unit that is written out and has no code is understood where it is plain", () => {
    expect(valueInUnit({ value: 35, unit: "cmH2O" }, "cm[H2O]")).toBe(35);
    expect(valueInUnit({ value: 35, unit: "cm[H2O]" }, "cm[H2O]")).toBe(35);
  });

  test("a count needs no unit, and annotations carry no meaning", () => {
    expect(valueInUnit({ value: 5 }, "{cycle}")).toBe(5);
    expect(valueInUnit({ value: 5, code: "1", system }, "{cycle}")).toBe(5);
    expect(valueInUnit({ value: 88, code: "{beat}/min", system }, "/min")).toBe(88);
  });
});

test.each([
  ["no quantity", undefined],
  ["no value", { code: "cm[H2O]", system }],
  ["a pressure without a unit", { value: 35 }],
  ["another dimension", { value: 35, code: "s", system }],
  ["a unit nobody knows", { value: 35, code: "cmH2O", system }],
  ["a unit of another system", { value: 35, code: "cm[H2O]", system: "urn:iso:std:iso:11073:10101" }],
])("%s is left out rather than guessed", (_what, quantity) => {
  expect(valueInUnit(quantity, "cm[H2O]")).toBeUndefined();
});

test("what is already in the unit comes back as the very number that was sent", () => {
  fc.assert(
    fc.property(fc.double({ noNaN: true, noDefaultInfinity: true }), (value) => {
      expect(valueInUnit({ value, code: "cm[H2O]", system }, "cm[H2O]")).toBe(value);
    }),
  );
});
