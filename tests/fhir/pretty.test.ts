import fc from "fast-check";
import { expect, test } from "vitest";
import { prettyJson } from "../../src/fhir/pretty.ts";

// https://hl7.org/fhir/R4/http.html#parameters: _pretty asks for a response that people can read.
test("every member stands on a line of its own, two blanks deeper than what holds it", () => {
  expect(prettyJson('{"a":{"b":[1,{"c":null}]},"d":true}')).toBe(
    [
      "{",
      '  "a": {',
      '    "b": [',
      "      1,",
      "      {",
      '        "c": null',
      "      }",
      "    ]",
      "  },",
      '  "d": true',
      "}",
    ].join("\n"),
  );
});

test("empty objects and lists stay on their line", () => {
  expect(prettyJson('{ "a" : { } , "b" : [\n] }')).toBe('{\n  "a": {},\n  "b": []\n}');
});

// https://hl7.org/fhir/R4/json.html#decimal: the precision of a decimal has a meaning and is kept.
test.each(["1.50", "1e3", "-0.0", "100000000000000000000.10", "0.000000001"])(
  "the number %s stays as it is written",
  (number) => {
    expect(prettyJson(`{"value":${number}}`)).toBe(`{\n  "value": ${number}\n}`);
  },
);

test("brackets, signs, quotation marks and line breaks within a string are left alone", () => {
  const text = JSON.stringify({ div: '<div>{"a": [1, 2]} \\ "\n\t\u2028 é</div>', slash: "\\" });
  expect(JSON.parse(prettyJson(text))).toEqual(JSON.parse(text));
  expect(prettyJson('{"a":"\\u00e9\\/"}')).toBe('{\n  "a": "\\u00e9\\/"\n}');
});

test("for any JSON it is what JSON.stringify writes with two blanks", () => {
  fc.assert(
    fc.property(fc.jsonValue(), fc.constantFrom(undefined, 1, "\t"), (value, space) => {
      // Minus zero alone is written as 0 by one and kept by the other.
      const text = JSON.stringify(value, undefined, space);
      expect(prettyJson(text)).toBe(JSON.stringify(JSON.parse(text), undefined, 2));
    }),
  );
});

test("what is made readable twice is the same", () => {
  const once = prettyJson('{"a":[1.0,{"b":[]}]}');
  expect(prettyJson(once)).toBe(once);
});

test("a string of ten million letters and text that is no JSON come through", () => {
  const long = `{"data":"${"A".repeat(10_000_000)}"}`;
  expect(prettyJson(long)).toHaveLength(long.length + 5);
  expect(() => prettyJson('}}{"a":"never ended')).not.toThrow();
});
