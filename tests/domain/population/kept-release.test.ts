import { describe, expect, test } from "vitest";
import {
  calendarRelations,
  figuresOf,
  type KeptRelease,
  linkedReleases,
  sharesDays,
} from "../../../src/domain/population/kept-release.ts";
import { periodOf } from "../../../src/domain/population/period.ts";
import { madeUpFigures } from "../../support/made-up-figures.ts";

const period = (code: string) => {
  const found = periodOf(code);
  if (found === undefined) throw new Error(`${code} is no period`);
  return found;
};

const kept = (code: string, persons: Record<string, number> = {}): KeptRelease => ({
  period: period(code),
  publication: { name: code, cells: [], relations: [], nestings: [] },
  persons: Object.fromEntries(Object.entries(persons).map(([place, count]) => [`people%20${code}${place}`, count])),
  figures: [{ counts: `people ${code}`, figure: "people-on-therapy" }],
});

describe("periods share days", () => {
  test.each([
    ["2026-05", "2026-Q2", true],
    ["2026-05", "2026", true],
    ["2026-05", "2026-05", true],
    ["2026-05", "2026-06", false],
    ["2026-Q1", "2026-Q2", false],
    ["2025", "2026-01", false],
  ])("%s and %s: %s", (one, other, expected) => {
    expect(sharesDays(period(one), period(other))).toBe(expected);
    expect(sharesDays(period(other), period(one))).toBe(expected);
  });
});

test("months are linked by the quarter that was published of them, and not otherwise", () => {
  const codes = (of: string, ...earlier: string[]) =>
    linkedReleases(
      period(of),
      earlier.map((code) => kept(code)),
    ).map((one) => one.period.code);
  expect(codes("2026-05", "2026-04", "2026-06", "2026-05")).toEqual(["2026-05"]);
  expect(codes("2026-05", "2026-04", "2026-Q2", "2026-07")).toEqual(["2026-04", "2026-Q2"]);
  expect(codes("2026-05", "2026", "2026-12", "2025-12")).toEqual(["2026", "2026-12"]);
});

describe("what the calendar tells", () => {
  const month = (code: string, all: number, north: number) => kept(code, { "": all, ";place=north": north });
  const key = (code: string, place = "") => `people%20${code}${place}`;

  test("who is counted in a month is counted in its quarter, place by place", () => {
    const { nestings, relations } = calendarRelations([month("2026-05", 20, 9), month("2026-Q2", 30, 12)]);
    expect(nestings).toEqual([
      { whole: key("2026-Q2"), part: key("2026-05") },
      { whole: key("2026-Q2", ";place=north"), part: key("2026-05", ";place=north") },
    ]);
    expect(relations).toEqual([]);
  });

  test("once all months are out, the quarter is no more than their sum", () => {
    const months = ["2026-04", "2026-05", "2026-06"];
    const { relations } = calendarRelations([...months.map((code) => month(code, 12, 5)), month("2026-Q2", 30, 16)]);
    // 16 at North is more than the 15 of the months: people have moved, so nobody can reckon with it.
    expect(relations).toEqual([{ kind: "union", whole: key("2026-Q2"), parts: months.map((code) => key(code)) }]);
  });

  test("and of a figure of one moment it tells nothing", () => {
    const ofMoment = (code: string) => ({
      ...month(code, 20, 9),
      figures: [{ counts: `people ${code}`, figure: "devices-in-use" }],
    });
    expect(calendarRelations([ofMoment("2026-05"), ofMoment("2026-Q2")])).toEqual({ nestings: [], relations: [] });
  });
});

test("tables of the same counts are of one figure", () => {
  const figures = madeUpFigures(period("2026-05"), { north: 1, south: 2, west: 3 });
  expect(figuresOf({ tables: [...figures.tables, ...figures.tables] })).toEqual(
    ["people-on-therapy", "days-used.low", "days-used.median"].map((figure) => ({
      figure,
      counts: `${figure} 2026-05`,
    })),
  );
});
