import { expect, test } from "vitest";
import { holds, relationsOf } from "../../../src/domain/disclosure/relation.ts";
import { flat, grid, tableOf } from "./example-tables.ts";

test("a two-way table has a relation for each row, column and total", () => {
  const relations = relationsOf([
    grid("n", [
      [1, 2],
      [3, 4],
      [5, 6],
    ]),
  ]);
  expect(relations).toHaveLength(4 + 3);
  expect(relations).toContainEqual({
    kind: "sum",
    whole: "n;row=r1",
    parts: ["n;column=c0;row=r1", "n;column=c1;row=r1"],
  });
  expect(relations).toContainEqual({ kind: "sum", whole: "n", parts: ["n;column=c0", "n;column=c1"] });
});

test("each inner node of a tree is related to its own parts only", () => {
  const region = { key: "all", parts: [{ key: "north", parts: [{ key: "a" }, { key: "b" }] }, { key: "south" }] };
  const table = tableOf("n", [{ name: "site", whole: region, parts: "disjoint" }], () => 1);
  expect(relationsOf([table])).toEqual([
    { kind: "sum", whole: "n", parts: ["n;site=north", "n;site=south"] },
    { kind: "sum", whole: "n;site=north", parts: ["n;site=a", "n;site=b"] },
  ]);
});

test("a relation that two tables share is there once, in whatever order they come", () => {
  const ages = flat("age", ["0-4", "5-11"]);
  const byAge = tableOf("n", [ages], () => 2);
  const byBoth = tableOf("n", [ages, flat("site", ["a", "b"])], () => 1);
  expect(relationsOf([byAge, byBoth])).toEqual(relationsOf([byBoth]));
  expect(relationsOf([byBoth, byAge])).toEqual(relationsOf([byAge, byBoth]));
});

test("months of the same people are a union: no more than the sum, no less than the largest", () => {
  const quarter = { key: "all", parts: [{ key: "january" }, { key: "february" }] };
  const months = { name: "month", whole: quarter, parts: "overlapping" as const };
  const [union] = relationsOf([{ counts: "n", dimensions: [months], cells: [] }]);
  if (union === undefined) throw new Error("there is a relation");
  expect(union.kind).toBe("union");
  const fits = (counts: Record<string, number>) => holds(union, (key) => counts[key]);
  expect(fits({ n: 12, "n;month=january": 10, "n;month=february": 9 })).toBe(true);
  expect(fits({ n: 9, "n;month=january": 10, "n;month=february": 9 })).toBe(false);
  expect(fits({ n: 20, "n;month=january": 10, "n;month=february": 9 })).toBe(false);
});

test("a relation with a missing count does not hold", () => {
  expect(holds({ kind: "sum", whole: "a", parts: ["b"] }, () => undefined)).toBe(false);
});
