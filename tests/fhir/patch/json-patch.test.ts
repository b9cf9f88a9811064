import { expect, test } from "vitest";
import { readJson } from "../../../src/fhir/json.ts";
import { applyJsonPatch } from "../../../src/fhir/patch/json-patch.ts";

/** Reads JSON with its numbers as written, be it an object or an array. */
function exact(text: string): unknown {
  const read = readJson(`{"it":${text}}`);
  if (!read.ok) throw new Error(read.refusals[0]?.detail);
  return (read.value.exact as { it: unknown }).it;
}

function patched(resource: string, operations: string): string {
  const found = applyJsonPatch(exact(resource), exact(operations));
  return found.ok ? JSON.stringify(found.value) : `refused ${found.refusals[0]?.status}: ${found.refusals[0]?.detail}`;
}

function refusal(resource: string, operations: string) {
  const found = applyJsonPatch(exact(resource), exact(operations));
  if (found.ok) throw new Error(`not refused: ${JSON.stringify(found.value)}`);
  return found.refusals[0];
}

// The examples of RFC 6902, appendix A (https://www.rfc-editor.org/rfc/rfc6902#appendix-A).
test.each([
  [
    "A.1 adding an object member",
    '{"foo":"bar"}',
    '[{"op":"add","path":"/baz","value":"qux"}]',
    '{"foo":"bar","baz":"qux"}',
  ],
  [
    "A.2 adding an array element",
    '{"foo":["bar","baz"]}',
    '[{"op":"add","path":"/foo/1","value":"qux"}]',
    '{"foo":["bar","qux","baz"]}',
  ],
  ["A.3 removing an object member", '{"baz":"qux","foo":"bar"}', '[{"op":"remove","path":"/baz"}]', '{"foo":"bar"}'],
  [
    "A.4 removing an array element",
    '{"foo":["bar","qux","baz"]}',
    '[{"op":"remove","path":"/foo/1"}]',
    '{"foo":["bar","baz"]}',
  ],
  [
    "A.5 replacing a value",
    '{"baz":"qux","foo":"bar"}',
    '[{"op":"replace","path":"/baz","value":"boo"}]',
    '{"baz":"boo","foo":"bar"}',
  ],
  [
    "A.6 moving a value",
    '{"foo":{"bar":"baz","waldo":"fred"},"qux":{"corge":"grault"}}',
    '[{"op":"move","from":"/foo/waldo","path":"/qux/thud"}]',
    '{"foo":{"bar":"baz"},"qux":{"corge":"grault","thud":"fred"}}',
  ],
  [
    "A.7 moving an array element",
    '{"foo":["all","grass","cows","eat"]}',
    '[{"op":"move","from":"/foo/1","path":"/foo/3"}]',
    '{"foo":["all","cows","eat","grass"]}',
  ],
  [
    "A.8 testing a value: success",
    '{"baz":"qux","foo":["a",2,"c"]}',
    '[{"op":"test","path":"/baz","value":"qux"},{"op":"test","path":"/foo/1","value":2}]',
    '{"baz":"qux","foo":["a",2,"c"]}',
  ],
  [
    "A.10 adding a nested member object",
    '{"foo":"bar"}',
    '[{"op":"add","path":"/child","value":{"grandchild":{}}}]',
    '{"foo":"bar","child":{"grandchild":{}}}',
  ],
  [
    "A.11 ignoring unrecognized elements",
    '{"foo":"bar"}',
    '[{"op":"add","path":"/baz","value":"qux","xyz":123}]',
    '{"foo":"bar","baz":"qux"}',
  ],
  ["A.14 ~ escape ordering", '{"/":9,"~1":10}', '[{"op":"test","path":"/~01","value":10}]', '{"/":9,"~1":10}'],
  [
    "A.16 adding an array value",
    '{"foo":["bar"]}',
    '[{"op":"add","path":"/foo/-","value":["abc","def"]}]',
    '{"foo":["bar",["abc","def"]]}',
  ],
])("example %s comes out as the RFC has it", (_name, resource, operations, expected) => {
  expect(patched(resource, operations)).toBe(expected);
});

// A failed test answers 422 (https://hl7.org/fhir/R4/http.html#patch).
test.each([
  ["A.9 testing a value: error", '{"baz":"qux"}', '[{"op":"test","path":"/baz","value":"bar"}]'],
  ["A.12 adding to a nonexistent target", '{"foo":"bar"}', '[{"op":"add","path":"/baz/bat","value":"qux"}]'],
  ["A.15 comparing strings and numbers", '{"/":9,"~1":10}', '[{"op":"test","path":"/~01","value":"10"}]'],
])("example %s is refused with 422", (_name, resource, operations) => {
  expect(refusal(resource, operations)).toMatchObject({ status: 422, at: "operations[0]" });
});

// RFC 6902, 4: what an operation has to have; RFC 6901, 3: what a pointer is.
test.each([
  ["an object in place of the array", '{"op":"remove","path":"/a"}', "operations"],
  ["an operation that is a text", '["remove"]', "operations[0]"],
  ["an op of another name", '[{"op":"test","path":"/a","value":1},{"op":"delete","path":"/a"}]', "operations[1].op"],
  ["a missing path", '[{"op":"remove"}]', "operations[0].path"],
  ["a path without a slash", '[{"op":"remove","path":"a"}]', "operations[0].path"],
  ["a tilde that escapes nothing", '[{"op":"remove","path":"/a~2"}]', "operations[0].path"],
  ["an add without a value", '[{"op":"add","path":"/a"}]', "operations[0].value"],
  ["a copy without from", '[{"op":"copy","path":"/a"}]', "operations[0].from"],
  ["a move into itself (4.4)", '[{"op":"move","from":"/a","path":"/a/b"}]', "operations[0].path"],
  ["the prototype of an object", '[{"op":"add","path":"/__proto__/a","value":1}]', "operations[0].path"],
  ["the constructor of an object", '[{"op":"add","path":"/constructor/prototype","value":1}]', "operations[0].path"],
])("%s is refused with 400 and its place", (_name, operations, at) => {
  expect(refusal('{"a":{"b":1}}', operations)).toMatchObject({ status: 400, at });
});

test("a malformed operation is refused before the first is applied", () => {
  const operations = '[{"op":"remove","path":"/nothing"},{"op":"remove"}]';
  expect(refusal('{"a":1}', operations)).toMatchObject({ status: 400, at: "operations[1].path" });
});

// RFC 6901, 4: an index has no leading zero and no sign; RFC 6902, 4.1: it is not greater than the length.
test.each(["/a/01", "/a/-1", "/a/3", "/a/+1", "/a/1e0", "/a/x", "/a/length", "/a/ 1", "/a/"])(
  "%s is no place in a list of two",
  (path) => {
    expect(refusal('{"a":[1,2]}', `[{"op":"add","path":"${path}","value":0}]`)?.status).toBe(422);
  },
);

test("the place behind a list's end is there to add to and not to read", () => {
  expect(patched('{"a":[1]}', '[{"op":"add","path":"/a/1","value":2}]')).toBe('{"a":[1,2]}');
  for (const op of ["remove", "replace", "test"]) {
    expect(refusal('{"a":[1]}', `[{"op":"${op}","path":"/a/-","value":2}]`)?.status).toBe(422);
  }
});

test("what objects inherit is no member", () => {
  for (const name of ["toString", "hasOwnProperty", "valueOf"]) {
    expect(refusal('{"a":1}', `[{"op":"copy","from":"/${name}","path":"/b"}]`)?.status).toBe(422);
  }
});

// https://hl7.org/fhir/R4/datatypes.html#decimal: precision has significance.
test("numbers come through as they were written, those of the resource and those of the patch", () => {
  expect(
    patched(
      '{"a":1.50,"b":{"c":2.00},"list":[1e3]}',
      '[{"op":"add","path":"/d","value":{"e":0.10}},{"op":"move","from":"/b","path":"/f"},{"op":"copy","from":"/a","path":"/list/-"}]',
    ),
  ).toBe('{"a":1.50,"list":[1e3,1.50],"d":{"e":0.10},"f":{"c":2.00}}');
});

test("a number has no inside to point into", () => {
  expect(refusal('{"a":1.50}', '[{"op":"replace","path":"/a/rawJSON","value":"2"}]')?.status).toBe(422);
});

// RFC 6902, 4.6: "numbers: are considered equal if their values are numerically equal".
test("a test compares numbers by value", () => {
  const resource = '{"a":1.50}';
  expect(patched(resource, '[{"op":"test","path":"/a","value":1.5}]')).toBe(resource);
  expect(refusal(resource, '[{"op":"test","path":"/a","value":1.51}]')?.status).toBe(422);
});

// The result is processed as an update (https://hl7.org/fhir/R4/http.html#patch), which answers another id with 400.
test.each([
  ["another id", '[{"op":"replace","path":"/id","value":"b"}]', "id"],
  ["no id", '[{"op":"remove","path":"/id"}]', "id"],
  ["another type", '[{"op":"replace","path":"/resourceType","value":"Group"}]', "resourceType"],
  ["no type", '[{"op":"remove","path":"/resourceType"}]', "resourceType"],
  ["a text in place of a resource", '[{"op":"replace","path":"","value":"b"}]', "resourceType"],
  ["another resource", '[{"op":"add","path":"","value":{"resourceType":"Group","id":"a"}}]', "resourceType"],
])("a patch that leaves %s is refused", (_name, operations, at) => {
  expect(refusal('{"resourceType":"Patient","id":"a"}', operations)).toMatchObject({ status: 400, at });
});

test("a patch may change the id for a moment", () => {
  const operations = '[{"op":"move","from":"/id","path":"/language"},{"op":"copy","from":"/language","path":"/id"}]';
  expect(patched('{"resourceType":"Patient","id":"a"}', operations)).toBe(
    '{"resourceType":"Patient","language":"a","id":"a"}',
  );
});

test("a patch has at most 1,000 operations", () => {
  const operations = (count: number) => JSON.stringify(Array(count).fill({ op: "test", path: "/a", value: 1 }));
  expect(patched('{"a":1}', operations(1000))).toBe('{"a":1}');
  expect(refusal('{"a":1}', operations(1001))).toMatchObject({ kind: "too-costly", status: 422 });
});

test("a resource copied into itself over and over is refused before it fills the memory", () => {
  const operations = Array.from({ length: 50 }, (_, i) => ({ op: "copy", from: "/a", path: `/a/x${i}` }));
  const found = refusal('{"a":{"b":"c"}}', JSON.stringify(operations));
  expect(found).toMatchObject({ kind: "too-costly", status: 422 });
});

test("nesting that could not be read again is refused", () => {
  const deeper = Array.from({ length: 100 }, () => [
    { op: "move", from: "/a", path: "/b" },
    { op: "add", path: "/a", value: {} },
    { op: "move", from: "/b", path: "/a/a" },
  ]).flat();
  expect(refusal('{"a":{}}', JSON.stringify(deeper))?.detail).toContain("64 levels");
});
