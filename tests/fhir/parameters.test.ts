import { beforeAll, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { readJson } from "../../src/fhir/json.ts";
import { type ParameterRules, readParameters } from "../../src/fhir/parameters.ts";

// How operations are asked for: https://hl7.org/fhir/R4/operations.html#executing
const rules = {
  url: { type: "uri" },
  filter: { type: "string" },
  code: { type: "code" },
  since: { type: "instant" },
  start: { type: "dateTime" },
  count: { type: "integer" },
  active: { type: "boolean" },
  type: { type: "code", repeats: true },
  coding: { type: "Coding" },
  concept: { type: "CodeableConcept" },
  identifier: { type: "Identifier" },
  subject: { type: "Reference" },
  resource: { type: "Resource" },
} as const satisfies ParameterRules;

beforeAll(() => {
  createDefinitions({ types: "default" });
});

function body(text: string) {
  const read = readJson(text);
  if (!read.ok) throw new Error(text);
  return read.value;
}

const fromQuery = (query: string) => readParameters(rules, { query: [...new URLSearchParams(query)] });
const fromBody = (parameter: unknown, query = "") =>
  readParameters(rules, {
    query: [...new URLSearchParams(query)],
    body: body(JSON.stringify({ resourceType: "Parameters", parameter })),
  });

test("a GET and a posted Parameters resource give the same values", () => {
  const expected = {
    url: "urn:vs",
    count: 5,
    active: true,
    type: ["a", "b"],
    start: "2026-02",
    since: "2026-02-01T00:00:00+01:00",
  };
  // The plus sign of the instant arrives as a space when a client does not escape it.
  const query = "url=urn:vs&count=5&active=true&type=a&type=b&start=2026-02&since=2026-02-01T00:00:00+01:00";
  expect(fromQuery(query)).toEqual({ ok: true, value: expected });
  expect(
    fromBody([
      { name: "url", valueUri: "urn:vs" },
      { name: "count", valueInteger: 5 },
      { name: "active", valueBoolean: true },
      { name: "type", valueCode: "a" },
      { name: "type", valueCode: "b" },
      { name: "start", valueDateTime: "2026-02" },
      { name: "since", valueInstant: "2026-02-01T00:00:00+01:00" },
    ]),
  ).toEqual({ ok: true, value: expected });
});

test("what did not come is absent, and a parameter that repeats is an empty list", () => {
  expect(fromQuery("")).toEqual({ ok: true, value: { type: [] } });
  expect(readParameters(rules, { query: [], body: body('{"resourceType":"Parameters"}') })).toEqual({
    ok: true,
    value: { type: [] },
  });
});

test("a POST may carry parameters in its address as well", () => {
  expect(fromBody([{ name: "filter", valueString: "x" }], "count=2")).toEqual({
    ok: true,
    value: { filter: "x", count: 2, type: [] },
  });
});

test("values of complex types come as they are", () => {
  const coding = { system: "urn:x", code: "1" };
  const read = fromBody([
    { name: "coding", valueCoding: coding },
    { name: "concept", valueCodeableConcept: { coding: [coding] } },
    { name: "identifier", valueIdentifier: { value: "7" } },
    { name: "subject", valueReference: { reference: "Patient/1" } },
  ]);
  expect(read).toMatchObject({
    value: { coding, concept: { coding: [coding] }, identifier: { value: "7" }, subject: { reference: "Patient/1" } },
  });
});

test("a resource keeps its numbers as they were written", () => {
  const read = readParameters(rules, {
    query: [],
    body: body(
      '{"resourceType":"Parameters","parameter":[{"name":"resource","resource":{"resourceType":"Observation","valueQuantity":{"value":1.50}}}]}',
    ),
  });
  if (!read.ok || read.value.resource === undefined) throw new Error("the resource is read");
  expect(JSON.stringify(read.value.resource.exact)).toContain('"value":1.50');
  expect(read.value.resource.value).toMatchObject({ resourceType: "Observation" });
});

test("where an operation has one resource as input, it may be the body itself", () => {
  // "If the only IN parameter is of type Resource …, the operation can be executed by a POST with that resource as the content"
  const input = { query: [["count", "3"]] as const, body: body('{"resourceType":"Observation","status":"final"}') };
  expect(readParameters(rules, input, "resource")).toMatchObject({
    ok: true,
    value: { count: 3, resource: { value: { resourceType: "Observation" } } },
  });
  expect(readParameters(rules, input)).toMatchObject({ ok: false, refusals: [{ kind: "structure", status: 400 }] });
});

test("a parameter that the operation lacks is refused by name, with those it takes", () => {
  for (const read of [fromQuery("colour=red"), fromBody([{ name: "colour", valueCode: "red" }])]) {
    expect(read).toMatchObject({
      ok: false,
      refusals: [
        {
          kind: "not-supported",
          status: 400,
          detail: expect.stringMatching(/no parameter "colour" here.*active, code, coding/),
        },
      ],
    });
  }
  expect(fromQuery("constructor=1&__proto__=2")).toMatchObject({
    ok: false,
    refusals: [{ status: 400 }, { status: 400 }],
  });
});

test("the general parameters of every request are no operation's own", () => {
  // https://hl7.org/fhir/R4/http.html#parameters
  expect(fromQuery("_format=json&_pretty=true&_summary=false&_elements=id")).toMatchObject({ ok: true });
  expect(readParameters({ _summary: { type: "code" } }, { query: [["_summary", "true"]] })).toMatchObject({
    value: { _summary: "true" },
  });
});

test("a missing parameter is refused by name", () => {
  const needed = {
    id: { type: "string", required: true },
    type: { type: "code", repeats: true, required: true },
  } as const;
  expect(readParameters(needed, { query: [] })).toMatchObject({
    ok: false,
    refusals: [
      { kind: "required", status: 400, detail: expect.stringContaining('"id" is missing') },
      { kind: "required", status: 400, detail: expect.stringContaining('"type" is missing') },
    ],
  });
});

test("a parameter that came twice is refused, wherever it came", () => {
  expect(fromQuery("count=1&count=2")).toMatchObject({
    ok: false,
    refusals: [{ detail: expect.stringContaining("more than once") }],
  });
  expect(fromBody([{ name: "count", valueInteger: 1 }], "count=1")).toMatchObject({ ok: false });
});

test.each([
  "count=many",
  "count=1.5",
  "active=yes",
  "since=2026-02",
  "start=yesterday",
  "code=",
  "coding=urn:x|1",
  "resource=x",
])("%s is no value of its type", (query) => {
  expect(fromQuery(query)).toMatchObject({ ok: false, refusals: [{ kind: "value", status: 400 }] });
});

test.each([
  [{ name: "count", valueString: "5" }],
  [{ name: "active", valueInteger: 1 }],
  [{ name: "coding", valueString: "x" }],
  [{ name: "resource", valueString: "x" }],
  [{ name: "filter", resource: { resourceType: "Patient" } }],
  [{ name: "filter", part: [{ name: "a", valueString: "x" }] }],
])("%j has a value of another type, and the refusal says where", (parameter) => {
  expect(fromBody([parameter])).toMatchObject({
    ok: false,
    refusals: [{ status: 400, at: "Parameters.parameter[0]" }],
  });
});

// https://hl7.org/fhir/R4/parameters.html: the resource's own structure and its invariant inv-1.
test.each([
  ["a list that is none", 3],
  ["an element that is no object", ["count"]],
  ["an empty element", [null]],
  ["a name that is no text", [{ name: 1, valueInteger: 1 }]],
  ["a name alone", [{ name: "count" }]],
  ["two values", [{ name: "filter", valueString: "x", valueCode: "y" }]],
  ["a value and a resource", [{ name: "filter", valueString: "x", resource: { resourceType: "Patient" } }]],
  ["a coding that is none", [{ name: "coding", valueCoding: { code: 1 } }]],
  ["codings that are no list", [{ name: "concept", valueCodeableConcept: { coding: { code: "1" } } }]],
  ["a resource that is text", [{ name: "resource", resource: "Patient/1" }]],
  ["a resource that is a list", [{ name: "resource", resource: [{ resourceType: "Patient" }] }]],
])("a Parameters resource with %s is refused", (_what, parameter) => {
  const read = fromBody(parameter);
  expect(read.ok ? [] : [...new Set(read.refusals.map((one) => one.status))]).toEqual([400]);
});
