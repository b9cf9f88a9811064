import { expect, test } from "vitest";
import { withoutLowestPlaces } from "../../../src/domain/population/coarser.ts";
import type { FigureTable, PopulationFigures } from "../../../src/domain/population/figures.ts";

const place = {
  name: "place",
  parts: "disjoint",
  whole: {
    key: "all",
    parts: [
      {
        key: "region",
        parts: [{ key: "north", parts: [{ key: "n1" }, { key: "n2" }] }, { key: "south" }],
      },
      { key: "unknown" },
    ],
  },
} as const;

const cell = (key: string, persons: number) => ({ at: { place: key }, persons });

const table: FigureTable = {
  figure: "days-used.median",
  counts: "days-used.median 2026-05",
  dimensions: [place],
  cells: [
    cell("all", 9),
    cell("region", 8),
    cell("north", 5),
    cell("n1", 2),
    cell("n2", 3),
    cell("south", 3),
    cell("unknown", 1),
  ],
  statistics: [
    { at: { place: "north" }, contributors: 5, median: 80 },
    { at: { place: "n1" }, contributors: 2, median: 70 },
  ],
};

const figures = { tables: [table], titles: {}, ruleVersion: "x" } as unknown as PopulationFigures;

const placesOf = (one: PopulationFigures | undefined) => one?.tables[0]?.cells.map(({ at }) => at.place);

test("the lowest places go, and what they are parts of stays as it was counted", () => {
  const once = withoutLowestPlaces(figures);
  expect(placesOf(once)).toEqual(["all", "region", "north", "south", "unknown"]);
  expect(once?.tables[0]?.cells.map(({ persons }) => persons)).toEqual([9, 8, 5, 3, 1]);
  expect(once?.tables[0]?.statistics?.map(({ at }) => at.place)).toEqual(["north"]);
});

test("again and again, until only the parts of the whole are left", () => {
  const once = withoutLowestPlaces(figures);
  const twice = once && withoutLowestPlaces(once);
  expect(placesOf(twice)).toEqual(["all", "region", "unknown"]);
  expect(twice && withoutLowestPlaces(twice)).toBeUndefined();
});

test("tables without places stay as they are", () => {
  const other = { ...figures, tables: [{ ...table, dimensions: [] }] } as PopulationFigures;
  expect(withoutLowestPlaces(other)).toBeUndefined();
});
