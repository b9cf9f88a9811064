import { describe, expect, test } from "vitest";
import type { Figure } from "../../../src/domain/disclosure/figure.ts";
import { shownFigure } from "../../../src/domain/disclosure/figure.ts";
import { disclosurePolicies } from "../../../src/domain/disclosure/policy.ts";
import { periodOf } from "../../../src/domain/population/period.ts";
import { policyText, releaseBody } from "../../../src/domain/population/release-body.ts";
import { madeUpFigures, madeUpTexts } from "../../support/made-up-figures.ts";

const period = periodOf("2026-05");
if (period === undefined) throw new Error("a month is a period");
const { hes } = disclosurePolicies;

/** Each count as the policy shows it alone. */
function shownOf(figures: ReturnType<typeof madeUpFigures>): Map<string, Figure> {
  return new Map(
    figures.tables.flatMap(({ counts, cells }) =>
      cells.map(({ at, persons }): [string, Figure] => [
        `${encodeURIComponent(counts)}${at.place === "all" ? "" : `;place=${at.place}`}`,
        persons > 0 && persons <= 7 ? { kind: "hidden", why: "small" } : shownFigure(persons, hes),
      ]),
    ),
  );
}

const bodyOf = (people: { north: number; south: number; west: number }) => {
  const figures = madeUpFigures(period, people);
  return releaseBody(3, figures, madeUpTexts, shownOf(figures), hes);
};

describe("the body of a release", () => {
  test("holds rounded counts, null for what is hidden, and the titles of the places", () => {
    const [people] = bodyOf({ north: 41, south: 23, west: 3 }).tables;
    expect(people?.rows.map(({ count }) => count)).toEqual([65, 40, 25, null]);
    expect(people?.dimensions[0]?.members.map(({ title, level }) => [title, level])).toEqual([
      ["All places", 0],
      ["North <b>", 1],
      ["=South", 1],
      ["West", 1],
    ]);
  });

  test("hides a percentage and a median with their counts", () => {
    const [, low, median] = bodyOf({ north: 41, south: 23, west: 3 }).tables;
    expect(low?.rows.at(-1)).toEqual({ at: { place: "west" }, count: null, percent: null });
    expect(median?.rows.at(-1)).toEqual({ at: { place: "west" }, count: null, median: null });
    expect(median?.rows[0]?.median).toBe(61.5);
  });

  // The policy needs 400 persons for a whole percentage (src/domain/disclosure/rate.ts).
  test("shows a percentage of many", () => {
    const [, low] = bodyOf({ north: 900, south: 300, west: 60 }).tables;
    expect(low?.rows.map(({ percent }) => percent)).toEqual([33, 33, null, null]);
  });

  test("of nobody has no percentage and no median, and says 0", () => {
    const [people, low, median] = bodyOf({ north: 41, south: 23, west: 0 }).tables;
    expect([people?.rows.at(-1), low?.rows.at(-1), median?.rows.at(-1)]).toEqual(
      Array.from({ length: 3 }, () => ({ at: { place: "west" }, count: 0 })),
    );
  });

  test("tells nothing of why a figure is hidden, nor its true count", () => {
    expect(JSON.stringify(bodyOf({ north: 41, south: 23, west: 3 }))).not.toMatch(/"why"|"persons"|contributors|41|23/);
  });

  test("of a figure that no text explains is not made", () => {
    const figures = madeUpFigures(period, { north: 41, south: 23, west: 3 });
    expect(() => releaseBody(3, figures, madeUpTexts.slice(1), shownOf(figures), hes)).toThrow("people-on-therapy");
  });
});

test.each([
  ["hes", "Counts from 1 to 7 are hidden, others are rounded to the nearest 5; 0 is shown as 0."],
  ["ons-10-5", "Counts from 0 to 9 are hidden, others are rounded to the nearest 5. More"],
  ["minimum-cell-11", "Counts from 1 to 10 are hidden, others are exact; 0 is shown as 0. More"],
] as const)("the policy %s in words", (name, words) => {
  expect(policyText(disclosurePolicies[name])).toContain(words);
});
