import fc from "fast-check";
import { expect, test } from "vitest";
import { isStorable, storable } from "../../src/intake/storable-text.ts";

test.each([
  ["plain", true],
  ["a pair \u{1F600}", true],
  ["a\0b", false],
  ["half \ud83d", false],
  ["half \ude00", false],
  ["the wrong way round \ude00\ud83d", false],
])("%j can be stored: %s", (text, answer) => {
  expect(isStorable(text)).toBe(answer);
});

test("what cannot be stored is replaced in names and in values, and nothing else is", () => {
  expect(storable({ "a\0": ["b\ud800", "c\\u0000", "\u{1F600}\n"], d: 1 })).toEqual({
    "a\ufffd": ["b\ufffd", "c\\u0000", "\u{1F600}\n"],
    d: 1,
  });
});

/** The measure is String.prototype.isWellFormed (ECMA-262), with U+0000 besides, which PostgreSQL's text types refuse. */
test("a text can be stored when it is well-formed and has no U+0000; mended, it always can", () => {
  const unit = fc.constantFrom("a", "\\", "u0000", '"', "\0", "\ud83d", "\ude00", "\ufffd");
  fc.assert(
    fc.property(fc.string({ unit }), (text) => {
      const good = text.isWellFormed() && !text.includes("\0");
      expect(isStorable(text)).toBe(good);
      expect(storable([text])).toEqual([text.toWellFormed().replaceAll("\0", "\ufffd")]);
    }),
    { numRuns: 1000 },
  );
});
