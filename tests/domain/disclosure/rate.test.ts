import { describe, expect, test } from "vitest";
import { shownFigure } from "../../../src/domain/disclosure/figure.ts";
import { disclosurePolicies } from "../../../src/domain/disclosure/policy.ts";
import { percentage, showsStatistic } from "../../../src/domain/disclosure/rate.ts";

const { hes, "minimum-cell-11": cms } = disclosurePolicies;
const star = { kind: "hidden", why: "secondary" } as const;

/** The furthest that the true percentage can be from the shown one, over all counts that round to the two figures. */
function worstError(numerator: number, denominator: number): number {
  const off = [-2, -1, 0, 1, 2];
  const errors = off.flatMap((a) =>
    off
      .filter((b) => numerator + a <= denominator + b)
      .map((b) => Math.abs((numerator + a) / (denominator + b) - numerator / denominator)),
  );
  return 100 * Math.max(...errors);
}

function worstOf(denominator: number): number {
  let worst = 0;
  for (let numerator = 10; numerator <= denominator; numerator += 5)
    worst = Math.max(worst, worstError(numerator, denominator));
  return worst;
}

describe("the denominator of 4,000 for one decimal (NHS Digital, HES and ECDS methodology)", () => {
  // Calculated, by trying all shown numerators and all counts behind them.
  test("is the least at which every percentage is within a tenth of a point", () => {
    expect(worstOf(4000)).toBeLessThan(0.1);
    expect(worstOf(4000)).toBeCloseTo(0.09999, 5);
    expect(worstOf(3995)).toBeGreaterThan(0.1);
  });

  test("and 400 the least at which every percentage is within one point", () => {
    expect(worstOf(400)).toBeLessThan(1);
    expect(worstOf(395)).toBeGreaterThan(1);
  });

  test("no error exceeds (2 + 2p) / D of the true denominator", () => {
    for (const [numerator, denominator] of [
      [10, 400],
      [200, 400],
      [395, 400],
      [2000, 4000],
      [3995, 4000],
    ] as const)
      expect(worstError(numerator, denominator)).toBeLessThanOrEqual(
        (100 * (2 + (2 * numerator) / denominator)) / (denominator - 2) + 1e-12,
      );
  });

  test("decides the decimals", () => {
    const percent = (denominator: number) => percentage(shownFigure(125, hes), shownFigure(denominator, hes), hes);
    expect(percent(4000)).toEqual({ kind: "shown", percent: 3.1, decimals: 1 });
    expect(percent(3995)).toEqual({ kind: "shown", percent: 3, decimals: 0 });
    expect(percent(395)).toEqual({ kind: "hidden", why: "denominator-too-small" });
  });
});

test("a percentage of a hidden count, or of hidden many, is hidden; of nobody there is none", () => {
  const many = shownFigure(4000, hes);
  expect(percentage(star, many, hes)).toEqual({ kind: "hidden", why: "count-hidden" });
  expect(percentage(many, star, hes)).toEqual({ kind: "hidden", why: "count-hidden" });
  expect(percentage(shownFigure(0, hes), shownFigure(0, hes), hes)).toEqual({ kind: "nobody" });
});

test("none and all of a small group are hidden, of a large one they may be said", () => {
  const policy = { ...hes, percentage: { ...hes.percentage, wholeFrom: 10 } };
  const of = (numerator: number, denominator: number) =>
    percentage(shownFigure(numerator, policy), shownFigure(denominator, policy), policy);
  expect(of(0, 45)).toEqual({ kind: "hidden", why: "all-or-none" });
  expect(of(44, 45)).toEqual({ kind: "hidden", why: "all-or-none" });
  expect(of(0, 50)).toEqual({ kind: "shown", percent: 0, decimals: 0 });
  expect(of(50, 50)).toEqual({ kind: "shown", percent: 100, decimals: 0 });
});

test("a percentage that leaves a small remainder known exactly is hidden", () => {
  const of = (numerator: number) => percentage(shownFigure(numerator, cms), shownFigure(500, cms), cms);
  expect(of(490)).toEqual({ kind: "hidden", why: "small-remainder" });
  expect(of(489)).toEqual({ kind: "shown", percent: 98, decimals: 0 });
});

test("a median is shown where the number of its contributors is", () => {
  expect(showsStatistic(shownFigure(8, hes))).toBe(true);
  expect(showsStatistic({ kind: "hidden", why: "small" })).toBe(false);
  expect(showsStatistic(star)).toBe(false);
  expect(showsStatistic(shownFigure(0, hes))).toBe(false);
});
