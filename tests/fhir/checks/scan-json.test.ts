import fc from "fast-check";
import { expect, test } from "vitest";
import { scanJson } from "../../../src/fhir/checks/scan-json.ts";

// https://hl7.org/fhir/R4/json.html: "property names SHALL be unique" within one object.
test.each([
  ['{"a":1,"a":2}', "a", 7],
  ['{"a":{"b":1,"c":[],"b":2}}', "b", 19],
  ['[{"x":1},{"a":"}","a":1}]', "a", 18],
  ['{"a\\u0062":1,"ab":2}', "ab", 13],
  ['{"a\\"":1,"a\\"":2}', 'a"', 9],
  ['{ "a" : "\\\\" , "a" : 1 }', "a", 15],
])("%s names %j twice", (text, name, position) => {
  expect(JSON.parse(text)).toBeTypeOf("object");
  expect(scanJson(text).twice).toEqual({ name, position });
});

test.each([
  '{"a":"a","b":"a"}',
  '{"a":{"a":1},"b":{"a":1}}',
  '["a","a"]',
  '{"a":["b","b"],"b":1}',
  '{"a":"\\"a\\":1,"}',
  "{}",
  "5",
])("%s names nothing twice", (text) => {
  expect(JSON.parse(text)).toBeDefined();
  expect(scanJson(text).twice).toBeUndefined();
});

test("whatever is written from objects in memory names nothing twice, until a member is repeated", () => {
  fc.assert(
    fc.property(fc.dictionary(fc.string(), fc.jsonValue(), { minKeys: 1 }), fc.constantFrom(0, 2), (object, blanks) => {
      const text = JSON.stringify(object, null, blanks);
      expect(scanJson(text).twice).toBeUndefined();
      const [name = ""] = Object.keys(object);
      const repeated = `${text.slice(0, -1)},${JSON.stringify(name)}:1}`;
      expect(scanJson(repeated).twice?.name).toBe(name);
    }),
  );
});

/** Depth as a walk through the parsed value counts it. */
function depthOf(value: unknown): number {
  if (typeof value !== "object" || value === null) return 1;
  return 1 + Math.max(0, ...Object.values(value).map(depthOf));
}

test("the depth of a text is that of what it is parsed to", () => {
  fc.assert(
    fc.property(fc.jsonValue({ maxDepth: 6 }), fc.integer({ min: 0, max: 3 }), (value, indent) => {
      expect(scanJson(JSON.stringify(value, null, indent)).depth).toBe(depthOf(value));
    }),
  );
});

test("a number is delicate where JavaScript writes it otherwise", () => {
  const number = fc.oneof(
    fc.double({ noNaN: true, noDefaultInfinity: true }).map(String),
    fc.stringMatching(/^-?(0|[1-9]\d{0,17})(\.\d{1,18})?([eE][+-]?\d{1,2})?$/),
  );
  fc.assert(
    fc.property(
      number,
      fc.constantFrom("[%s]", '{"a":%s}', '[true, %s ,"1.50"]', '["1e5",null,%s\n]'),
      (text, frame) => {
        const { hasDelicateNumber } = scanJson(frame.replace("%s", text));
        if (JSON.stringify(JSON.parse(text)) !== text) expect(hasDelicateNumber).toBe(true);
        expect(scanJson(frame.replace("%s", "7.25")).hasDelicateNumber).toBe(false);
      },
    ),
  );
});
