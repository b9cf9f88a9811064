import { describe, expect, test } from "vitest";
import { doubtOf, leaves, nameOf, type Target, targetsOf } from "../../../src/domain/disclosure/target.ts";
import { flat, smallPolicy, tableOf } from "./example-tables.ts";
import { published, shown, star } from "./publication-examples.ts";

const byAge = tableOf("n", [flat("age", ["a", "b", "c"])], () => 0);
const small = { least: 1, greatest: 2 };
const cells = [star("n;age=a", small), star("n;age=b", small), shown("n;age=c", 30)];

function namesOf(...publications: Parameters<typeof targetsOf>[0]): string[] {
  return targetsOf(publications, smallPolicy).map(nameOf);
}

test("the hidden cells are targets, and so is the sum of the small ones of a whole", () => {
  const release = published("r", [shown("n", 33), ...cells], [byAge]);
  expect(namesOf(release)).toEqual(["n;age=a", "n;age=a + n;age=b", "n;age=b"]);
});

test("a cell that is hidden for their sake is no part of the sum, whether or not the whole is shown", () => {
  const above = { least: 3, greatest: 20 };
  const release = published("r", [star("n", above), ...cells.slice(0, 2), star("n;age=c", above)], [byAge]);
  expect(namesOf(release)).toEqual(["n", "n;age=a", "n;age=a + n;age=b", "n;age=b", "n;age=c"]);
});

test("a star does not take a figure back that an earlier release showed", () => {
  const earlier = published("r1", [shown("n", 33), ...cells], [byAge]);
  const later = published("r2", [star("n;age=c", small)]);
  expect(namesOf(earlier, later)).toContain("n;age=a + n;age=b");
  expect(namesOf(earlier, later)).not.toContain("n;age=a + n;age=b + n;age=c");
});

test("what an earlier release hid stays a target, with the wider doubt of the two", () => {
  const wide = { ...star("n;age=c", small), width: { figures: 6, roles: 3 } };
  const targets = targetsOf([published("r1", [wide]), published("r2", [star("n;age=c", small)])], smallPolicy);
  expect(targets).toEqual([{ kind: "cell", plus: ["n;age=c"], minus: [], width: { figures: 6, roles: 3 } }]);
});

test("the difference of nested cells is a target, and a whole without each overlapping part", () => {
  const nested = { ...published("r", [shown("a", 23), shown("b", 22)]), nestings: [{ whole: "a", part: "b" }] };
  expect(namesOf(nested)).toEqual(["a - b"]);
  const months = { name: "month", whole: { key: "all", parts: [{ key: "x" }] }, parts: "overlapping" as const };
  const union = published(
    "r",
    [shown("n", 23), shown("n;month=x", 22)],
    [{ counts: "n", dimensions: [months], cells: [] }],
  );
  expect(namesOf(union)).toEqual(["n - n;month=x"]);
});

describe("doubt", () => {
  const width = { figures: 2, roles: 1 };
  const cell: Target = { kind: "cell", plus: ["a"], minus: [], width };
  const sum: Target = { kind: "sum", plus: ["a", "b"], minus: [], width };

  test.each([
    ["a cell with three possible values", cell, 1, 3, "figures", true],
    ["a cell with two", cell, 1, 2, "figures", false],
    ["a cell with two, to one who knows the roles", cell, 1, 2, "roles", true],
    ["a cell that is pinned above the small counts", cell, 9, 9, "figures", false],
    ["a sum that is pinned above the small counts", sum, 9, 9, "figures", true],
    ["a sum that is pinned among them", sum, 2, 2, "figures", false],
  ] as const)("%s", (_, target, least, greatest, intruder, doubted) => {
    expect(leaves({ least, greatest }, doubtOf(target, intruder, smallPolicy))).toBe(doubted);
  });
});
