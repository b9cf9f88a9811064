import { describe, expect, test } from "vitest";
import { figureRelations, personsOf } from "../../../src/domain/population/figure-relations.ts";
import type { FigureTable, FigureText } from "../../../src/domain/population/figures.ts";

const text = (code: string, outOf?: string): FigureText => ({
  code,
  title: code,
  definition: code,
  unit: "1",
  kind: code.endsWith(".median") ? "median" : "count",
  ...(outOf === undefined ? {} : { outOf }),
});

const texts = [
  text("people"),
  text("starts", "people"),
  text("use.low", "people"),
  text("use.high", "people"),
  text("use.not-known", "people"),
  text("use.median"),
];

const table = (figure: string, persons: number): FigureTable => ({
  figure,
  counts: figure,
  dimensions: [],
  cells: [{ at: {}, persons }],
});

const tables = (counts: Record<string, number>) =>
  Object.entries(counts).map(([figure, persons]) => table(figure, persons));
const consistent = { people: 30, starts: 4, "use.low": 9, "use.high": 15, "use.not-known": 6, "use.median": 24 };

describe("what the definitions of the figures tell everybody", () => {
  test("bands add up to whom they divide, and the known ones to those of the median", () => {
    expect(figureRelations(tables(consistent), texts).relations).toEqual([
      { kind: "sum", whole: "people", parts: ["use.high", "use.low", "use.not-known"] },
      { kind: "sum", whole: "use.median", parts: ["use.high", "use.low"] },
    ]);
  });

  test("a figure out of another counts some of the same people", () => {
    expect(figureRelations(tables(consistent), texts).nestings).toContainEqual({ whole: "people", part: "starts" });
  });

  test("where the true counts do not bear it out, nobody can reckon with it", () => {
    const other = figureRelations(tables({ ...consistent, people: 3 }), texts);
    expect(other.relations.map(({ whole }) => whole)).toEqual(["use.median"]);
    expect(other.nestings).toEqual([]);
  });

  test("a band that is not published leaves no sum", () => {
    const { "use.low": _, ...rest } = consistent;
    expect(figureRelations(tables(rest), texts).relations).toEqual([]);
  });
});

test("the true count of every cell", () => {
  expect(Object.fromEntries(personsOf(tables({ people: 3, starts: 1 })))).toEqual({ people: 3, starts: 1 });
});
