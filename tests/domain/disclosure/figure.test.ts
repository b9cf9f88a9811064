import { describe, expect, test } from "vitest";
import type { Cell } from "../../../src/domain/disclosure/counts.ts";
import { canBeHidden, primaryFigure, publishedCell, shownFigure } from "../../../src/domain/disclosure/figure.ts";
import { type DisclosurePolicy, disclosurePolicies } from "../../../src/domain/disclosure/policy.ts";

const { hes, "ons-10-5": ons, "minimum-cell-11": cms } = disclosurePolicies;

function cell(persons: number, more: Partial<Cell> = {}): Cell {
  return { key: "n", persons, structuralZero: false, national: false, ...more };
}

function shownOf(persons: number, policy: DisclosurePolicy): number | "*" {
  const figure = primaryFigure(cell(persons), policy);
  return figure.kind === "shown" ? figure.value : "*";
}

const upTo2000 = Array.from({ length: 2001 }, (_, persons) => persons);

describe("HES (NHS Digital, change to disclosure control methodology for HES and ECDS, 2018)", () => {
  test.each([
    [0, 0, 0],
    [1, 7, "*"],
    [8, 12, 10],
    [13, 17, 15],
    [18, 22, 20],
    [23, 27, 25],
  ] as const)("counts from %i to %i are shown as %s", (first, last, shown) => {
    const counts = upTo2000.slice(first, last + 1);
    expect(counts.map((persons) => shownOf(persons, hes))).toEqual(counts.map(() => shown));
  });

  test("5 is never shown", () => {
    expect(upTo2000.filter((persons) => shownOf(persons, hes) === 5)).toEqual([]);
  });

  test("national figures are shown as they are, however small", () => {
    expect(primaryFigure(cell(3, { national: true }), hes)).toMatchObject({
      kind: "shown",
      value: 3,
      least: 3,
      greatest: 3,
    });
  });
});

describe("the 10-5 rule (Office for National Statistics, comparison of post-tabular methods)", () => {
  test("counts under 10 are hidden, 10 to 12 are 10, 13 is 15, and 5 is never shown", () => {
    expect(upTo2000.slice(0, 10).map((persons) => shownOf(persons, ons))).toEqual(Array(10).fill("*"));
    expect([10, 11, 12, 13].map((persons) => shownOf(persons, ons))).toEqual([10, 10, 10, 15]);
    expect(upTo2000.filter((persons) => shownOf(persons, ons) === 5)).toEqual([]);
  });

  test("a zero that everybody knows is shown", () => {
    expect(primaryFigure(cell(0, { structuralZero: true }), ons)).toMatchObject({ kind: "shown", value: 0 });
  });
});

test("a minimum cell of 11 hides 1 to 10 and shows the rest as it is", () => {
  expect([0, 1, 10, 11, 12].map((persons) => shownOf(persons, cms))).toEqual([0, "*", "*", 11, 12]);
});

test.each(Object.values(disclosurePolicies))(
  "$name: the counts that a figure stands for are those shown so",
  (policy) => {
    for (const persons of upTo2000.slice(policy.small.greatest + 1)) {
      const figure = shownFigure(persons, policy);
      if (figure.kind === "hidden") throw new Error("above the small counts");
      const alike = upTo2000.filter(
        (other) => other > policy.small.greatest && shownOf(other, policy) === figure.value,
      );
      if (alike.at(-1) === 2000) break;
      expect([figure.least, figure.greatest]).toEqual([alike[0], alike.at(-1)]);
    }
  },
);

describe("one site that is nearly the whole of a cell", () => {
  test("hides it above the policy's share, not at it", () => {
    expect(primaryFigure(cell(100, { greatestSitePersons: 81 }), hes)).toEqual({ kind: "hidden", why: "dominance" });
    expect(primaryFigure(cell(100, { greatestSitePersons: 80 }), hes)).toMatchObject({ kind: "shown", value: 100 });
  });

  test("asks for doubt in proportion to the count", () => {
    const published = publishedCell(
      cell(200, { greatestSitePersons: 200 }),
      { kind: "hidden", why: "dominance" },
      hes,
      900,
    );
    expect(published.width).toEqual({ figures: 20, roles: 20 });
    expect(published.roles).toEqual({ least: 8, greatest: 900 });
  });
});

test("a star says no more than that somebody is there, to one who knows the roles also why", () => {
  const small = publishedCell(cell(3), { kind: "hidden", why: "small" }, hes, 900);
  const secondary = publishedCell(cell(30), { kind: "hidden", why: "secondary" }, hes, 900);
  expect(small.figures).toEqual(secondary.figures);
  expect(small.figures).toEqual({ least: 1, greatest: 900 });
  expect([small.roles, secondary.roles]).toEqual([
    { least: 1, greatest: 7 },
    { least: 8, greatest: 900 },
  ]);
});

test("zeros, national figures and what is hidden already cannot be hidden for others' sake", () => {
  const cells = [cell(0), cell(30, { national: true }), cell(3), cell(30)];
  expect(cells.map((one) => canBeHidden(one, hes))).toEqual([false, false, false, true]);
});
