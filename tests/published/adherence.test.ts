import { describe, expect, test } from "vitest";
import { band, measure } from "../../src/domain/adherence.ts";

const thresholds = { minimumCoverageShare: 0.5, version: "published" };

/** Per cent with one decimal of so many days (or people) used out of all known. */
function percent(numerator: number, known: number, decimals = 1): number {
  const { ratio = Number.NaN } = measure(
    "days-used",
    "2026-01-01",
    "2026-12-31",
    { numerator, denominator: known, eligible: known },
    thresholds,
  );
  return Number((100 * ratio).toFixed(decimals));
}

describe("shares that papers print, from the counts beside them", () => {
  // PMC6589354, Sleep Med 2019;59:114, table 1: the payer's criterion for CPAP was met by 74.6 %.
  test("1,955,961 of 2,621,182 is 74.6 %", () => expect(percent(1_955_961, 2_621_182)).toBe(74.6));

  // NIV in ALS, ERJ Open Res: more than four hours a day at day 30.
  test("153 of 233 is 65.7 %, and 80 of 233 is 34.3 %", () => {
    expect([percent(153, 233), percent(80, 233)]).toEqual([65.7, 34.3]);
  });

  // Mahede 2015, Orphanet J Rare Dis 10:54: daily or weekly use of MI-E by 73 % of 37.
  test("27 of 37 is 73 %", () => expect(percent(27, 37, 0)).toBe(73));

  // Benoit 2020, Respir Care 65(12):1831-1837: 62 of 73 completed the study (84.9 %, recomputed).
  test("62 of 73 is 84.9 %", () => expect(percent(62, 73)).toBe(84.9));

  // Flores 2013, Respir Care 58:279-285: 38, 12 and 13 of 63 are 60, 19 and 21 %.
  test("38, 12 and 13 of 63 are 60, 19 and 21 %", () => {
    expect([38, 12, 13].map((count) => percent(count, 63, 0))).toEqual([60, 19, 21]);
  });
});

// "Objective versus self-reported adherence", Respir Care 2019, chest-wall oscillation: low < 35 %, moderate 36-79 %,
// high > 80 %. What lies between 35 and 36 and between 79 and 80 the paper leaves open; it is closed here.
describe("bands", () => {
  test.each([
    [0, "low"],
    [0.3499, "low"],
    [0.35, "moderate"],
    [0.36, "moderate"],
    [0.79, "moderate"],
    [0.7999, "moderate"],
    [0.8, "high"],
    [0.81, "high"],
    [1, "high"],
  ])("%d is %s", (ratio, name) => expect(band(ratio)).toBe(name));
});

// Own construction: 28 days, two asked a day, device issued on day 3, days 10 to 13 in hospital, read up to day 26.
describe("the worked example", () => {
  const of = (numerator: number, denominator: number, eligible: number) =>
    measure("sessions-recorded", "2026-01-01", "2026-01-29", { numerator, denominator, eligible }, thresholds);

  test("22 eligible and 20 known days are a coverage of 90.9 %, and 15 used days 75.0 %", () => {
    const used = of(15, 20, 22);
    expect([used.coverage?.toFixed(3), used.ratio]).toEqual(["0.909", 0.75]);
  });

  test("26 of 40 asked sessions are 65.0 %, 31 recorded ones 77.5 %", () => {
    expect([of(26, 40, 44).ratio, of(31, 40, 44).ratio]).toEqual([0.65, 0.775]);
  });
});
