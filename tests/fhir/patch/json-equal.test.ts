import fc from "fast-check";
import { expect, test } from "vitest";
import { readJson } from "../../../src/fhir/json.ts";
import { jsonEqual } from "../../../src/fhir/patch/json-equal.ts";

function exact(text: string): unknown {
  const read = readJson(`{"it":${text}}`);
  if (!read.ok) throw new Error(read.refusals[0]?.detail);
  return (read.value.exact as { it: unknown }).it;
}

function equal(one: string, other: string): boolean {
  return jsonEqual(exact(one), exact(other));
}

// RFC 6902, 4.6: numbers are equal if they are numerically equal, arrays item by item, objects member by member.
test.each([
  ["1.50", "1.5"],
  ["1.0", "1.00"],
  ["1e3", "1000"],
  ["1.5E-2", "0.015"],
  ["-0", "0"],
  ["0.00", "0e99999999999999999999"],
  ["12345678901234567890", "12345678901234567890.0"],
  ['{"a":1,"b":2.0}', '{"b":2,"a":1.0}'],
  ["[1,[2.50]]", "[1.0,[2.5]]"],
  ["null", "null"],
  ['"\\u0041"', '"A"'],
])("%s equals %s", (one, other) => {
  expect(equal(one, other)).toBe(true);
});

test.each([
  ["1.5", "-1.5"],
  ["12345678901234567890", "12345678901234567891"],
  ["0.1", "0.10000000000000000001"],
  ["1", '"1"'],
  ["1.50", '"1.50"'],
  ["1.50", '{"rawJSON":"1.50"}'],
  ["0", "false"],
  ["null", "0"],
  ["[1,2]", "[2,1]"],
  ["[1]", "[1,1]"],
  ["[]", "{}"],
  ['{"a":1}', '{"a":1,"b":1}'],
  ['{"a":1}', '{"b":1}'],
  ['{"toString":1}', "{}"],
])("%s differs from %s", (one, other) => {
  expect(equal(one, other)).toBe(false);
});

test("a number with its point moved and its power changed to match is the same number", () => {
  fc.assert(
    fc.property(
      fc.bigInt({ min: 1n, max: 10n ** 25n }),
      fc.nat(30),
      fc.integer({ min: -40, max: 40 }),
      (n, zeros, power) => {
        expect(equal(`${n}e${power}`, `${n}${"0".repeat(zeros)}.0e${power - zeros}`)).toBe(true);
        expect(equal(`${n}e${power}`, `${n + 1n}e${power}`)).toBe(false);
      },
    ),
  );
});
