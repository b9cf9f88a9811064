import { expect, test } from "vitest";
import { cellKey, membersOf, placesOf, type Table } from "../../../src/domain/disclosure/table.ts";
import { flat } from "./example-tables.ts";

const age = flat("age", ["0-4", "5-11"]);
const site = flat("site", ["harbour", "hill"]);
const table: Pick<Table, "counts" | "dimensions"> = { counts: "people on therapy", dimensions: [age, site] };

test("a cell's key does not depend on the order of the dimensions", () => {
  const at = { age: "0-4", site: "hill" };
  expect(cellKey(table, at)).toBe("people%20on%20therapy;age=0-4;site=hill");
  expect(cellKey({ ...table, dimensions: [site, age] }, at)).toBe(cellKey(table, at));
});

test("a cell that is whole in a dimension is the cell of the table without that dimension", () => {
  const byAge = { ...table, dimensions: [age] };
  expect(cellKey(table, { age: "0-4", site: "all" })).toBe(cellKey(byAge, { age: "0-4" }));
  expect(cellKey(table, { age: "all", site: "all" })).toBe("people%20on%20therapy");
});

test("signs within names do not make two keys one", () => {
  const odd = flat("site", ["a;age=0-4", "a"]);
  const keys = placesOf([age, odd]).map((at) => cellKey({ ...table, dimensions: [age, odd] }, at));
  expect(new Set(keys).size).toBe(9);
});

test("members are listed with wholes before their parts", () => {
  const tree = { key: "region", parts: [{ key: "service", parts: [{ key: "ward" }, { key: "clinic" }] }] };
  expect(membersOf(tree).map(({ key }) => key)).toEqual(["region", "service", "ward", "clinic"]);
});

test("a table without dimensions has one place", () => {
  expect(placesOf([])).toEqual([{}]);
  expect(placesOf([age, site])).toHaveLength(9);
});
