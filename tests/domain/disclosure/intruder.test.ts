import { expect, test } from "vitest";
import { solutionsOf } from "../../../src/domain/disclosure/enumeration.ts";
import { intruderSystem, intruders, unknownsOf } from "../../../src/domain/disclosure/intruder.ts";
import { flat, tableOf } from "./example-tables.ts";
import { published, shown, star } from "./publication-examples.ts";

const small = { least: 1, greatest: 7 };
const above = { least: 8, greatest: 20 };
const byAge = tableOf("n", [flat("age", ["a", "b"])], () => 0);

test("two stars under a shown total: each can be small to one, to the other only one is", () => {
  const release = published("r", [shown("n", 13), star("n;age=a", small), star("n;age=b", above)], [byAge]);
  const solutions = intruders.map((intruder) => [...solutionsOf(intruderSystem([release], intruder))]);
  expect(unknownsOf([release])).toEqual(["n", "n;age=a", "n;age=b"]);
  expect(solutions[0]).toHaveLength(12);
  expect(solutions[1]?.map(([, a]) => a)).toEqual([1, 2, 3, 4, 5]);
});

test("a cell that two releases show is bounded by both figures, whichever came first", () => {
  const [wide, high] = [published("r1", [shown("n", 8, 12)]), published("r2", [shown("n", 11, 15)])];
  expect([...solutionsOf(intruderSystem([wide, high], "figures"))]).toEqual([[11], [12]]);
  expect([...solutionsOf(intruderSystem([high, wide], "figures"))]).toEqual([[11], [12]]);
});

test("figures that contradict each other leave nothing", () => {
  const releases = [published("r1", [shown("n", 8, 12)]), published("r2", [shown("n", 13)])];
  expect([...solutionsOf(intruderSystem(releases, "figures"))]).toEqual([]);
});

test("a nesting says that a part is no more than its whole", () => {
  const release = {
    ...published("r", [shown("part", 3, 9), shown("whole", 4, 5)]),
    nestings: [{ whole: "whole", part: "part" }],
  };
  const parts = [...solutionsOf(intruderSystem([release], "figures"))].map(([part = 0, whole = 0]) => whole - part);
  expect([Math.min(...parts), Math.max(...parts)]).toEqual([0, 2]);
});

test("overlapping parts are bounded by their whole, and it by their sum", () => {
  const months = { key: "all", parts: [{ key: "a" }, { key: "b" }] };
  const table = tableOf("n", [{ name: "age", whole: months, parts: "overlapping" }], () => 0);
  const release = published("r", [shown("n", 10), star("n;age=a", small, small), shown("n;age=b", 6)], [table]);
  expect([...solutionsOf(intruderSystem([release], "roles"))].map(([, a]) => a)).toEqual([4, 5, 6, 7]);
});

test("a relation about a cell that nobody published is a mistake of ours", () => {
  expect(() => intruderSystem([published("r", [shown("n", 3)], [byAge])], "figures")).toThrow("n;age=a");
});
