import fc from "fast-check";
import { expect, test } from "vitest";
import type { Measure } from "../../../src/domain/adherence.ts";
import { figureTexts } from "../../../src/domain/population/catalogue.ts";
import type { Period } from "../../../src/domain/population/figures.ts";
import { periodOf } from "../../../src/domain/population/period.ts";
import type { PersonPeriod } from "../../../src/domain/population/person-period.ts";
import { placeTree } from "../../../src/domain/population/place.ts";
import { accumulate, emptyTally, figuresOf } from "../../../src/domain/population/tally.ts";

const may = periodOf("2026-05") as Period;
const places = placeTree(
  [{ id: "region" }, { id: "a", partOfId: "region" }, { id: "b", partOfId: "region" }],
  new Set(["a", "b"]),
);

function figures(people: readonly PersonPeriod[]) {
  const tally = emptyTally();
  for (const person of people) accumulate(tally, person, places);
  return figuresOf(tally, may, places, "v");
}

function person(organizationId: string, days: number, over: Partial<PersonPeriod> = {}): PersonPeriod {
  return {
    organizationId,
    at: { age: "18-39", interface: "mask", diagnosis: "unknown" },
    counted: ["people-on-therapy"],
    values: { "issue-to-first-use.median": days, "days-used.median": days * 10 },
    measures: [],
    ...over,
  };
}

const people = [
  person("a", 1),
  person("a", 2),
  person("a", 9),
  person("b", 40, { at: { age: "65+", interface: "mask", diagnosis: "unknown" } }),
];

test("counts add up along the places", () => {
  const [alone, byAge] = figures(people).tables.filter(({ figure }) => figure === "people-on-therapy");
  expect(alone?.counts).toBe("people-on-therapy 2026-05");
  expect(alone?.cells).toEqual([
    { at: { place: "all" }, persons: 4 },
    { at: { place: "Organization/region" }, persons: 4 },
    { at: { place: "Organization/a" }, persons: 3 },
    { at: { place: "Organization/b" }, persons: 1 },
    { at: { place: "unknown" }, persons: 0 },
  ]);
  const cell = (place: string, age: string) => byAge?.cells.find(({ at }) => at.place === place && at.age === age);
  expect(cell("Organization/region", "65+")).toMatchObject({ persons: 1 });
  expect(cell("Organization/region", "all")).toMatchObject({ persons: 4 });
  expect(cell("Organization/a", "65+")?.persons).toBe(0);
});

test("medians of a whole are those of all its people, not of its parts' medians", () => {
  const of = (figure: string, place: string) =>
    figures(people)
      .tables.find((one) => one.figure === figure)
      ?.statistics?.find(({ at }) => at.place === place);
  expect(of("issue-to-first-use.median", "Organization/a")).toMatchObject({ median: 2, contributors: 3 });
  expect(of("issue-to-first-use.median", "Organization/region")).toMatchObject({ median: 5.5, contributors: 4 });
  expect(of("days-used.median", "Organization/b")).toMatchObject({ median: 40, contributors: 1 });
  expect(of("issue-to-first-use.median", "unknown")).toEqual({ at: { place: "unknown" }, contributors: 0 });
});

test("every figure has a table by place and one by place and each side, and nobody is in none of them", () => {
  const { tables, sums } = figures([]);
  for (const { code } of figureTexts) {
    const shapes = tables
      .filter(({ figure }) => figure === code)
      .map(({ dimensions }) => dimensions.map(({ name }) => name));
    expect([code, shapes]).toEqual([
      code,
      [["place"], ["place", "age"], ["place", "interface"], ["place", "diagnosis"]],
    ]);
  }
  expect(tables.every(({ cells }) => cells.every(({ persons }) => persons === 0))).toBe(true);
  expect(sums?.dose).toEqual({ numerator: 0, denominator: 0, eligible: 0 });
});

test("the order of people does not matter", () => {
  const measure = (numerator: number) =>
    ({ code: "days-used", numerator, denominator: 31, eligible: 31 }) as unknown as Measure;
  const anybody = fc
    .tuple(
      fc.constantFrom("a", "b", "region", "none"),
      fc.constantFrom("0-4", "65+", "unknown"),
      fc.subarray(["people-on-therapy", "stops", "days-used.low"]),
      fc.nat(40),
    )
    .map(([organizationId, age, counted, days]) =>
      person(organizationId, days, {
        at: { age, interface: "unknown", diagnosis: "unknown" },
        counted,
        measures: [measure(days)],
      }),
    );
  const shuffled = fc
    .array(anybody, { maxLength: 30 })
    .chain((list) => fc.tuple(fc.constant(list), fc.shuffledSubarray(list, { minLength: list.length })));
  fc.assert(
    fc.property(shuffled, ([list, other]) => {
      expect(figures(other)).toEqual(figures(list));
    }),
    { numRuns: 25 },
  );
});
