import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { withinJsonBounds } from "../../src/intake/json-bounds.ts";

function nested(levels: number): string {
  return `${'[{"a":'.repeat(levels / 2)}1${"}]".repeat(levels / 2)}`;
}

function fields(count: number): string {
  return JSON.stringify(Object.fromEntries(Array.from({ length: count }, (_, i) => [`k${i}`, i])));
}

function objects(count: number): string {
  return `[${"{},".repeat(count - 2)}{}]`;
}

describe("just the allowed is let through, one more is refused", () => {
  test.each([
    ["nesting", nested(32), `[${nested(32)}]`, /32 levels/],
    ["fields of one object", fields(1_000), fields(1_001), /1000 fields/],
    ["objects and lists", objects(2_000_000), objects(2_000_001), /2000000 objects/],
  ])("%s", (_, allowed, tooMuch, detail) => {
    expect(withinJsonBounds(allowed)).toEqual({ ok: true, value: undefined });
    expect(withinJsonBounds(tooMuch)).toEqual({
      ok: false,
      refusals: [{ kind: "structure", detail: expect.stringMatching(detail) }],
    });
  });
});

test("signs inside strings, list entries and fields of different objects do not count", () => {
  const text = JSON.stringify({
    a: '"\\'.repeat(50) + "[{".repeat(100),
    b: ",".repeat(2_000),
    c: Array(2_000).fill(0),
  });
  expect(withinJsonBounds(text).ok).toBe(true);
  expect(withinJsonBounds(`[${`${fields(600)},`.repeat(5)}0]`).ok).toBe(true);
});

test("after a list of an object its fields are still counted", () => {
  const text = `{${Array.from({ length: 1_001 }, (_, i) => `"k${i}":[1,2]`).join(",")}}`;
  expect(withinJsonBounds(text)).toMatchObject({ ok: false });
});

test("what is no JSON is left to the parser", () => {
  const unit = fc.constantFrom("]", "}", '"', "\\", ",", "x", "[");
  fc.assert(
    fc.property(fc.string({ unit, maxLength: 30 }), (text) => {
      expect(withinJsonBounds(text).ok).toBe(true);
    }),
  );
});
