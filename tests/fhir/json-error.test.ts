import fc from "fast-check";
import { expect, test } from "vitest";
import { jsonErrorAt } from "../../src/fhir/json-error.ts";

// The grammar of https://www.rfc-editor.org/rfc/rfc8259; the mark shows where it is broken.
test.each([
  '{"a":^,}',
  '{"a" ^1}',
  "{^a:1}",
  '{"a":1,^}',
  '{"a":1^"b":2}',
  "[1,^]",
  "[1 ^2",
  '{"a":0^1}',
  '{"a":^+1}',
  '{"a":1^.}',
  '{"a":^"\nb"}',
  '{"a":^"\\x"}',
  '{"a":^NaN}',
  "^",
  '{"a":1^',
  '{"a":^',
  '{"a":1}^}',
  '[{"a":[]}^}',
  "{^]",
  "^\u00a0{}",
])("%j is broken at the mark", (marked) => {
  const at = marked.indexOf("^");
  const text = marked.slice(0, at) + marked.slice(at + 1);
  expect(() => JSON.parse(text)).toThrow();
  expect(jsonErrorAt(text)).toBe(at);
});

test("whatever JSON.parse takes, the search for an error passes to its end", () => {
  fc.assert(
    fc.property(fc.jsonValue(), (value) => {
      const text = JSON.stringify(value, undefined, 1);
      expect(jsonErrorAt(text)).toBe(text.length);
    }),
  );
});

test("text that breaks off is wrong where it ends, or in its last token", () => {
  fc.assert(
    fc.property(fc.array(fc.jsonValue()), fc.nat(), (value, cut) => {
      const text = JSON.stringify({ value });
      const part = text.slice(0, cut % text.length);
      const rest = part.slice(jsonErrorAt(part));
      expect(rest === "" || /^["\-.\deEtfn]/.test(rest)).toBe(true);
    }),
  );
});

test("a string of ten megabytes that never ends is no harm", () => {
  expect(jsonErrorAt(`{"a":"${"x".repeat(10_000_000)}`)).toBe(5);
});
