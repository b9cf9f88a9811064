import { expect, test } from "vitest";
import { type LinearSystem, satisfies, sumOf } from "../../../src/domain/disclosure/linear-system.ts";

const both = [
  { variable: 0, times: 1 },
  { variable: 1, times: 1 },
];
const system: LinearSystem = { least: [0, 1], greatest: [5, 7], rows: [{ terms: both, least: 6, greatest: 6 }] };

test("a sum counts each term as often as it says", () => {
  expect(
    sumOf(
      [
        { variable: 1, times: 3 },
        { variable: 0, times: -1 },
      ],
      [2, 5],
    ),
  ).toBe(13);
});

test.each([
  ["fits", [2, 4], true],
  ["breaks a row", [2, 5], false],
  ["breaks a bound", [6, 0], false],
  ["is not whole", [2.5, 3.5], false],
  ["is not complete", [2], false],
  ["is not a number", [Number.NaN, 6], false],
] as [string, number[], boolean][])("a table that %s: %j", (_, values, fits) => {
  expect(satisfies(system, values)).toBe(fits);
});
