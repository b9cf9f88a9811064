import fc from "fast-check";
import { describe, expect, test, vi } from "vitest";
import { byLibrary, convertUcum, inCanonicalUnit, tradeUnits } from "../../../src/fhir/search/ucum.ts";

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

test.each(Object.keys(tradeUnits))("the table of trade units says of %s what the UCUM library says", (code) => {
  for (const value of [1, -40, 162.35, 0.001]) expect(inCanonicalUnit(code, value)).toEqual(byLibrary(code, value));
});

// Pascals are the canonical unit themselves, so nothing but the rounding happens to them.
test("amounts are rounded to twelve digits, those that need none by a shorter way to the same number", () => {
  const decimal = fc.tuple(fc.integer(), fc.integer({ min: 0, max: 9 })).map(([n, digits]) => n / 10 ** digits);
  fc.assert(
    fc.property(fc.oneof(fc.double({ noNaN: true, noDefaultInfinity: true }), decimal), (value) => {
      expect(inCanonicalUnit("Pa", value).value).toBe(Number(value.toPrecision(12)));
    }),
    { numRuns: 2_000, examples: [[-0], [0.1 + 0.2], [99_999.999999], [-99_999.9999995], [1e21]] },
  );
});

// UcumFunctionalTests.xml of 11 October 2018 (github.com/FHIR/Ucum-java), section `conversion`, with its case numbers.
// An outcome is given there to as many digits as its value has, so it is compared to the digits that are written.
test.each([
  ["3-101", "6.3", "m", "m", "6.3"],
  ["3-102", "6.3", "mm", "m", "0.0063"],
  ["3-103", "6.3", "mm", "cm", "0.63"],
  ["3-104", "6.3", "s.m-1", "s/m", "6.3"],
  ["3-105", "6.3", "s.mm-1", "s.m-1", "6300"],
  ["3-106", "6.3", "s.mm-2", "s.m-2", "6300000"],
  ["3-108", "6.3", "s/m/g", "s.m-1.g-1", "6.3"],
  ["3-109", "6.3", "ms/m/g", "s.m-1.g-1", "0.0063"],
  ["3-110", "6.3", "s/mm/g", "s.m-1.g-1", "6300"],
  ["3-111", "6.3", "s/m/mg", "s.m-1.g-1", "6300"],
  ["3-111a", "6.3", "s/m.mg", "s.m-1.g", "0.0063"],
  ["3-112", "6.3", "ms/m", "s/m", "0.0063"],
  ["3-113", "6.3", "4.s/m", "s/m", "25"],
  ["3-114", "6.30", "4.s/m", "s/m", "25.2"],
  ["3-115", "6.3", "s/4/m", "s/m", "1.6"],
  ["3-116", "6.3", "s/mm", "s/m", "6300"],
  ["3-117", "6.3", "ms/mm", "s/m", "6.3"],
  ["3-118", "6.30", "[in_i]", "m", "0.160"],
  ["3-119", "6.300", "[in_i]", "cm", "16.0"],
  ["3-120", "6.3", "g.m.s-2.A-2", "g.m.C-2", "6.3"],
  ["3-121", "1", "10*-7.s", "s", "1e-7"],
  ["3-122", "1", "4.[pi].10*-7.s", "s", "1.25663706143592e-6"],
  ["3-123", "1", "4.[pi].10*-7.N", "N", "1.25663706143592e-6"],
  ["3-124", "1", "[mu_0]", "g.m.C-2", "1.25663706143592e-3"],
  ["3-125", "1", "m[Hg]", "g.s-2.m-1", "133322000"],
  ["3-126", "1", "S", "g-1.m-2.C2.s", "0.001"],
  ["3-127", "1", "[ly]", "cm", "946073047258080000"],
  ["3-128", "1", "1/[ly]", "cm-1", "1.05700083402461546370946e-18"],
  ["3-129", "1.2", "g.m", "m.g", "1.2"],
] as const)("UCUM's functional test %s: %s %s in %s is %s", (_id, value, from, to, outcome) => {
  const digits = Math.min(
    12,
    outcome
      .replace(/e.*/, "")
      .replace(/^0\.0*|\./g, "")
      .replace(/(?<=[1-9])0+$/, "").length,
  );
  const converted = convertUcum(Number(value), from, to) ?? Number.NaN;
  // Half of the last digit written, with a little for a half that a double cannot hold.
  const step = 10 ** (Math.floor(Math.log10(Math.abs(Number(outcome)))) - digits + 1);
  expect(Math.abs(converted - Number(outcome))).toBeLessThanOrEqual(step * 0.5000001);
});

// Definitions of ucum-essence.xml 2.1: [lb_av] 7000 [gr] of 64.79891 mg, [ft_i] 12 [in_i] of 2.54 cm, cal_th 4.184 J,
// [psi] [lbf_av]/[in_i]2, bar 1e5 Pa, a_j 365.25 d, U umol/min, kat mol/s, g% g/dL.
test.each([
  [1, "[lb_av]", "kg", 0.45359237],
  [6, "[ft_i]", "cm", 182.88],
  [1, "kcal", "kJ", 4.184],
  [1, "[psi]", "kPa", 6.89475729317],
  [1, "bar", "hPa", 1_000],
  [1, "a_j", "d", 365.25],
  [60, "U/L", "ukat/L", 1],
  [13.5, "g%", "g/L", 135],
  [140, "mmol/L", "mol/m3", 140],
  [4.5, "10*3/uL", "10*9/L", 4.5],
  [6.3, "mg/dL", "g/L", 0.063],
  [1, "Hz", "/min", 60],
  [97, "%", "1", 0.97],
  [30, "mL/cm[H2O]", "L/kPa", 0.305914863893],
  [5, "cm[H2O].s/L", "kPa.s/L", 0.4903325],
  [70, "kg/m2", "g/cm2", 7],
  [4.5, "L/s", "L/min", 270],
] as const)("by UCUM's definitions %d %s in %s is %d", (value, from, to, expected) => {
  expect(convertUcum(value, from, to)).toBe(expected);
});

// https://ucum.org/ucum#section-Tables-of-Terminal-Symbols: Cel is K - 273.15, degF is 5/9 of it from 459.67 below.
describe("temperatures have a zero of their own", () => {
  test.each([
    [37, "Cel", 310.15, "K"],
    [98.6, "[degF]", 37, "Cel"],
    [-40, "[degF]", -40, "Cel"],
    [37_000, "mCel", 37, "Cel"],
  ] as const)("%d %s is %d %s", (one, unit, other, otherUnit) => {
    expect(inCanonicalUnit(unit, one)).toEqual(inCanonicalUnit(otherUnit, other));
    expect(convertUcum(one, unit, otherUnit)).toBe(other);
  });

  test("a scale that the library gets wrong is compared only with itself", () => {
    expect(inCanonicalUnit("[degRe]", 80)).toEqual({ unit: "[degRe]", value: 80 });
  });
});

// https://ucum.org/ucum#section-Annotations: text in braces has no meaning, and alone is the number 1.
test("an annotation carries no meaning", () => {
  expect(inCanonicalUnit("{cycle}", 12)).toEqual({ unit: "1", value: 12 });
  expect(inCanonicalUnit("{beats}/min", 70)).toEqual(inCanonicalUnit("/min", 70));
  expect(inCanonicalUnit("mL{gas}{dry}/{breath}", 450)).toEqual(inCanonicalUnit("mL", 450));
  expect(inCanonicalUnit("10*6{rbc}/uL", 4)).toEqual(inCanonicalUnit("10*6/uL", 4));
});

// https://ucum.org/ucum#section-Arbitrary-Units: not commensurable with any other unit, prefixes allowed.
test("an arbitrary unit is compared with its own multiples and with nothing else", () => {
  expect(inCanonicalUnit("m[iU]/L", 2.5)).toEqual(inCanonicalUnit("u[IU]/mL", 2.5));
  expect(inCanonicalUnit("[iU]/L", 1).unit).not.toBe(inCanonicalUnit("[arb'U]/L", 1).unit);
  expect(inCanonicalUnit("[iU]/L", 1).unit).not.toBe(inCanonicalUnit("/L", 1).unit);
  expect(inCanonicalUnit("/[iU]", 3)).toEqual({ unit: "/[iU]", value: 3 });
});

// A decision of ours: UCUM counts a mole and an equivalent as 6.0221367 × 10*23, so formally as numbers of things.
test("an amount of substance is no count, and an equivalent no mole", () => {
  expect(convertUcum(1, "mol/L", "/L")).toBeUndefined();
  expect(convertUcum(5, "meq/L", "mmol/L")).toBeUndefined();
});

// https://ucum.org/ucum#section-Special-Units-on-Non-ratio-Scales: a logarithm's value is no multiple of its unit.
test.each(["[pH]", "dB", "B[SPL]", "Np", "bit_s"])("the logarithmic unit %s stays as it is", (code) => {
  expect(inCanonicalUnit(code, 7.35)).toEqual({ unit: code, value: 7.35 });
});

// UcumFunctionalTests.xml of 11 October 2018, section `validation`, cases that are not valid; `iU` needs brackets.
test.each(["m/", "10+3/ul", "iU", "g/12h", "molv", "[BETH'U]", "mmol/kg[H20]", "cmH2O"])(
  "%s is no UCUM and is compared only with itself",
  (code) => {
    expect(inCanonicalUnit(code, 6.3)).toEqual({ unit: code, value: 6.3 });
  },
);

describe("hostile text", () => {
  test.each([
    "constructor",
    "__proto__",
    "toString",
    "10*999999",
    "m9999999999",
    " mg",
    "mg\n",
    "cm H2O",
    "rad2錠",
    "{",
    "}{",
  ])("%j is a unit of its own or a number", (code) => {
    const { value } = inCanonicalUnit(code, 1);
    expect(Number.isFinite(value)).toBe(true);
  });

  test("whatever the text is, an answer comes, always the same, and nothing is written to the log", () => {
    const log = vi.spyOn(console, "log");
    const alphabet = [..."mgLsKhPa/.()[]{}*^0123456789'-+ %dBCelé\u0000"];
    const code = fc.oneof(fc.string(), fc.string({ unit: fc.constantFrom(...alphabet), maxLength: 40 }));
    fc.assert(
      fc.property(code, fc.double({ noNaN: true }), (text, value) => {
        const first = inCanonicalUnit(text, value);
        expect(first.value).not.toBeNaN();
        expect(inCanonicalUnit(text, value)).toEqual(first);
      }),
      { numRuns: 500 },
    );
    expect(log).not.toHaveBeenCalled();
    log.mockRestore();
  });

  test("ten thousand invented units leave the units of the trade as they were", () => {
    for (let n = 0; n < 10_000; n += 1) inCanonicalUnit(`no-unit-${n}`, n);
    expect(convertUcum(6.3, "mg/dL", "g/L")).toBe(0.063);
  });
});

test("a range that is open stays open", () => {
  expect(inCanonicalUnit("kPa", Number.POSITIVE_INFINITY).value).toBe(Number.POSITIVE_INFINITY);
  expect(inCanonicalUnit("Cel", Number.NEGATIVE_INFINITY).value).toBe(Number.NEGATIVE_INFINITY);
});

const lengths = ["mm", "cm", "m", "km", "[in_i]", "[ft_i]"];

test("an amount is the same number whichever unit of its dimension it was written in", () => {
  const amount = fc.integer({ min: -1_000_000, max: 1_000_000 }).map((number) => number / 1_000);
  fc.assert(
    fc.property(amount, fc.constantFrom(...lengths), fc.constantFrom(...lengths), (value, from, to) => {
      const there = convertUcum(value, from, to) ?? Number.NaN;
      expect(convertUcum(there, to, from)).toBeCloseTo(value, 6);
    }),
  );
});
