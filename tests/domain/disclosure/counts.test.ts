import { expect, test } from "vitest";
import { cellsOf } from "../../../src/domain/disclosure/counts.ts";
import { relationsOf } from "../../../src/domain/disclosure/relation.ts";
import type { Table } from "../../../src/domain/disclosure/table.ts";
import { flat, grid, tableOf } from "./example-tables.ts";

const ages = flat("age", ["0-4", "5-11"]);
const byAge = tableOf("n", [ages], ({ age }) => (age === "0-4" ? 3 : 9));

function refusalsOf(...tables: Table[]): string[] {
  const result = cellsOf(tables, relationsOf(tables));
  return result.ok ? [] : result.refusals.map(({ detail }) => detail);
}

function changed(table: Table, at: Record<string, string>, change: object): Table {
  const isIt = (cell: Table["cells"][number]) => Object.entries(at).every(([name, key]) => cell.at[name] === key);
  return { ...table, cells: table.cells.map((cell) => (isIt(cell) ? { ...cell, ...change } : cell)) };
}

test("cells that tables share are there once, with what each table knows of them", () => {
  const total: Table = { counts: "n", dimensions: [], cells: [{ at: {}, persons: 12, greatestSitePersons: 7 }] };
  const result = cellsOf([byAge, total], relationsOf([byAge, total]));
  expect(result.ok && result.value.map(({ key, persons }) => [key, persons])).toEqual([
    ["n", 12],
    ["n;age=0-4", 3],
    ["n;age=5-11", 9],
  ]);
  expect(result.ok && result.value[0]?.greatestSitePersons).toBe(7);
});

test("a cell at the nation's member is national, others are not", () => {
  const places = { key: "all", national: true as const, parts: [{ key: "a" }, { key: "b" }] };
  const table = tableOf("n", [{ name: "place", whole: places, parts: "disjoint" }], () => 4);
  const result = cellsOf([table], relationsOf([table]));
  expect(result.ok && result.value.map(({ key, national }) => [key, national])).toEqual([
    ["n", true],
    ["n;place=a", false],
    ["n;place=b", false],
  ]);
});

test.each([
  [
    "tables that differ about a cell",
    [byAge, { counts: "n", dimensions: [], cells: [{ at: {}, persons: 13 }] }],
    "differ",
  ],
  ["a total that is not the sum", [changed(byAge, { age: "all" }, { persons: 11 })], "does not fit its parts"],
  ["a count of persons with a fraction", [changed(byAge, { age: "0-4" }, { persons: 2.5 })], "no count of persons"],
  ["a count below zero", [changed(byAge, { age: "0-4" }, { persons: -1 })], "no count of persons"],
  ["a site larger than its cell", [changed(byAge, { age: "0-4" }, { greatestSitePersons: 4 })], "no count of persons"],
  ["a structural zero that is none", [changed(byAge, { age: "0-4" }, { structuralZero: true })], "is not"],
  ["a place without a count", [{ ...byAge, cells: byAge.cells.slice(1) }], "one count for each"],
  [
    "a place with two counts",
    [{ ...byAge, cells: [...byAge.cells, ...byAge.cells.slice(0, 1)] }],
    "one count for each",
  ],
  ["a member twice", [{ ...byAge, dimensions: [flat("age", ["0-4", "0-4"])] }], "a member twice"],
  [
    "three dimensions",
    [{ ...grid("n", [[1]]), dimensions: [ages, flat("b", ["x"]), flat("c", ["y"])] }],
    "two dimensions",
  ],
] as [string, Table[], string][])("%s is refused", (_, tables, words) => {
  expect(refusalsOf(...tables).join("\n")).toContain(words);
});
