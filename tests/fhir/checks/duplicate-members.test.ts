import fc from "fast-check";
import { expect, test } from "vitest";
import { duplicateMember } from "../../../src/fhir/checks/duplicate-members.ts";

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
  expect(duplicateMember(text)).toEqual({ name, position });
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
  expect(duplicateMember(text)).toBeUndefined();
});

test("whatever is written from objects in memory names nothing twice, until a member is repeated", () => {
  fc.assert(
    fc.property(fc.dictionary(fc.string(), fc.jsonValue(), { minKeys: 1 }), fc.constantFrom(0, 2), (object, blanks) => {
      const text = JSON.stringify(object, null, blanks);
      expect(duplicateMember(text)).toBeUndefined();
      const [name = ""] = Object.keys(object);
      const repeated = `${text.slice(0, -1)},${JSON.stringify(name)}:1}`;
      expect(duplicateMember(repeated)?.name).toBe(name);
    }),
  );
});
