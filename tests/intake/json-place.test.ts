import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { firstJsonFault } from "../../src/intake/json-place.ts";

describe("the place of the first fault, counted from 1", () => {
  test.each([
    ["", 1, 1],
    ['{"a": x}', 1, 7],
    ['{\n  "a": 1,\n}', 3, 1],
    ['{\n  "a" 1}', 2, 7],
    ['{"a":1', 1, 7],
    ["[1 2]", 1, 4],
    ["[1,]", 1, 4],
    ["[01]", 1, 3],
    ["[1}", 1, 3],
    ["{1:2}", 1, 2],
    ["[,1]", 1, 2],
    ['"cut off', 1, 1],
    ['["\t"]', 1, 2],
    ["1 1", 1, 3],
    ["{}\n]", 2, 1],
    ["\n\n  x\n\n", 3, 3],
    ["[1,\r\n\t2 3]", 2, 4],
  ])("%j: line %i, column %i", (text, line, column) => {
    expect(firstJsonFault(text)).toEqual({ line, column });
  });
});

/** The runtime's own parser (ECMA-404, RFC 8259) is the measure of what is JSON. */
function isJson(text: string): boolean {
  try {
    JSON.parse(text);
    return true;
  } catch {
    return false;
  }
}

test("it finds a fault in just those texts that the runtime's parser refuses", () => {
  const pieces = fc.constantFrom(
    "{",
    "}",
    "[",
    "]",
    ",",
    ":",
    '"a"',
    '"\\u00e4"',
    "1",
    "-0.5e3",
    "01",
    "true",
    " ",
    "x",
  );
  const texts = fc.oneof(
    fc.json(),
    fc.array(pieces, { maxLength: 9 }).map((some) => some.join("")),
  );
  fc.assert(
    fc.property(texts, (text) => {
      expect(firstJsonFault(text) === undefined).toBe(isJson(text));
    }),
    { numRuns: 2000 },
  );
});

test("a string of ten million characters before the fault is no obstacle", () => {
  const long = "x".repeat(10_000_000);
  expect(firstJsonFault(`["${long}" 1]`)).toEqual({ line: 1, column: long.length + 5 });
});
