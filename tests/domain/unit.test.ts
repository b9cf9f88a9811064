import { describe, expect, test } from "vitest";
import { convertFlow, convertPressure, isFlowUnit, isPressureUnit } from "../../src/domain/unit.ts";

describe("pressure, by the UCUM constants (ucum-essence.xml v2.0.1: m[H2O] = 9.80665 kPa, m[Hg] = 133.3220 kPa)", () => {
  test.each([
    [25, "kPa", 2.4516625],
    [35, "kPa", 3.4323275],
    [40, "kPa", 3.92266],
    [50, "kPa", 4.903325],
    [25, "hPa", 24.516625],
    [40, "mbar", 39.2266],
    [60, "hPa", 58.8399],
    [-40, "hPa", -39.2266],
    [1, "Pa", 98.0665],
  ] as const)("%d cmH2O are %s %d", (value, unit, expected) => {
    expect(convertPressure(value, "cm[H2O]", unit)).toBeCloseTo(expected, 9);
  });

  test("40 cmH2O are 29.4225 mm[Hg] with UCUM's 133.3220 Pa, and not the 29.4224 of 133.322387 Pa", () => {
    expect(convertPressure(40, "cm[H2O]", "mm[Hg]")).toBeCloseTo(3922.66 / 133.322, 9);
    expect(convertPressure(40, "cm[H2O]", "mm[Hg]")).not.toBeCloseTo(3922.66 / 133.322387, 6);
  });

  test("the same unit gives the very same number", () => {
    expect(convertPressure(-35.1, "cm[H2O]", "cm[H2O]")).toBe(-35.1);
  });
});

describe("flow, by pairs that papers print in both units", () => {
  test("270 L/min are 4.5 L/s (AARC guideline, Strickland 2013, Respir Care 58(12):2187-2193)", () => {
    expect(convertFlow(270, "L/min", "L/s")).toBeCloseTo(4.5, 12);
  });

  test("160 L/min are 2.667 L/s (Panitch 2006, Curr Opin Pediatr 18:277)", () => {
    expect(convertFlow(160, "L/min", "L/s")).toBeCloseTo(2.667, 3);
  });

  test("4.09 L/s are 245.4 L/min (flow of Gómez-Merino et al. 2002, Am J Phys Med Rehabil 81(8):579-583)", () => {
    expect(convertFlow(4.09, "L/s", "L/min")).toBeCloseTo(245.4, 9);
  });

  test("820 cL/s are 492 L/min (flow of the FHIR example observation-example-spirometry)", () => {
    expect(convertFlow(820, "cL/s", "L/min")).toBeCloseTo(492, 9);
  });

  test("the same unit gives the very same number", () => {
    expect(convertFlow(160.1, "L/min", "L/min")).toBe(160.1);
  });
});

describe("units known", () => {
  test("UCUM codes are known, everyday spellings are not", () => {
    expect(["cm[H2O]", "kPa", "mm[Hg]"].every(isPressureUnit)).toBe(true);
    expect(["cmH2O", "mmHg", "toString", "L/min"].some(isPressureUnit)).toBe(false);
    expect(["L/min", "L/s"].every(isFlowUnit)).toBe(true);
    expect(["l/m", "constructor", "kPa"].some(isFlowUnit)).toBe(false);
  });
});
