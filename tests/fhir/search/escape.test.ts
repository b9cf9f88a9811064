import fc from "fast-check";
import { expect, test } from "vitest";
import { splitUnescaped, unescaped } from "../../../src/fhir/search/escape.ts";

// https://hl7.org/fhir/R4/search.html#escaping: `param=xxx$xxx,yyy\,zzz` has two values, of which the second has a comma.
test("an escaped comma does not part two values", () => {
  expect(splitUnescaped("xxx\\$xxx,yyy\\,zzz", ",").map(unescaped)).toEqual(["xxx$xxx", "yyy,zzz"]);
});

test("a value is split at one separator and then at another", () => {
  expect(splitUnescaped("sys\\|tem|a\\,b", ",")).toEqual(["sys\\|tem|a\\,b"]);
  expect(splitUnescaped("sys\\|tem|a\\,b", "|").map(unescaped)).toEqual(["sys|tem", "a,b"]);
});

test("an escaped backslash escapes nothing behind it", () => {
  expect(splitUnescaped("a\\\\,b", ",").map(unescaped)).toEqual(["a\\", "b"]);
});

test("a backslash before any other letter stays", () => {
  expect(unescaped("C:\\temp\\")).toBe("C:\\temp\\");
});

test("texts that were escaped and joined come back as they were", () => {
  fc.assert(
    fc.property(fc.array(fc.string({ unit: fc.constantFrom("a", ",", "|", "$", "\\") }), { minLength: 1 }), (texts) => {
      const joined = texts.map((text) => text.replace(/[\\,|$]/g, "\\$&")).join(",");
      expect(splitUnescaped(joined, ",").map(unescaped)).toEqual(texts);
    }),
  );
});
