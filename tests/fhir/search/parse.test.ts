import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import { parseSearch } from "../../../src/fhir/search/parse.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "default" });
});

const options = { handling: "lenient", defaultCount: 20, maxCount: 100, nowMs: Date.UTC(2026, 5, 1) } as const;

function parse(type: string, query: string, handling: "strict" | "lenient" = "lenient") {
  return parseSearch(definitions, type, [...new URLSearchParams(query)], { ...options, handling });
}

function parsed(type: string, query: string) {
  const read = parse(type, query);
  if (!read.ok) throw new Error(read.refusals[0]?.detail);
  return read.value;
}

function refusals(type: string, query: string, handling: "strict" | "lenient" = "lenient") {
  const read = parse(type, query, handling);
  return read.ok ? [] : read.refusals;
}

test("a search without parameters asks for a first page of all", () => {
  expect(parsed("Patient", "")).toEqual({
    type: "Patient",
    clauses: [],
    sort: [{ by: "id", descending: false }],
    count: 20,
    total: "none",
    inclusions: [],
    used: [],
    ignored: [],
  });
});

// https://hl7.org/fhir/R4/search.html#combining
test("a parameter that comes twice is joined by AND, values between commas by OR", () => {
  const query = parsed("Patient", "given=anna&given=lena,otto");
  expect(query.clauses).toMatchObject([
    { kind: "string", anyOf: ["anna"] },
    { kind: "string", anyOf: ["lena", "otto"] },
  ]);
});

test("ids and the time of change are columns of their own", () => {
  expect(parsed("Patient", "_id=a,b&_lastUpdated=gt2026-01-01").clauses).toMatchObject([
    { kind: "id", anyOf: ["a", "b"] },
    { kind: "date", column: "last-updated", anyOf: [{ prefix: "gt" }] },
  ]);
});

// https://hl7.org/fhir/R4/search.html#sort: "-" for descending; several keys in order.
test("sort keys come in their order, the id last", () => {
  expect(parsed("Observation", "_sort=-date,_lastUpdated").sort).toEqual([
    { by: "hot-date", descending: true },
    { by: "last-updated", descending: false },
    { by: "id", descending: false },
  ]);
  expect(parsed("Patient", "_sort=family,birthdate").sort).toMatchObject([
    { by: { stringKeys: [expect.any(String)] } },
    { by: { dateKeys: [expect.any(String)] } },
    { by: "id" },
  ]);
});

test("a page is never larger than the server allows", () => {
  expect(parsed("Patient", "_count=7").count).toBe(7);
  expect(parsed("Patient", "_count=5000").count).toBe(100);
});

// https://hl7.org/fhir/R4/search.html#count: _count=0 is treated as _summary=count.
test("a count of nothing asks for the total alone", () => {
  expect(parsed("Patient", "_count=0")).toMatchObject({ count: 0, total: "accurate" });
  expect(parsed("Patient", "_summary=count")).toMatchObject({ count: 0, total: "accurate", summary: "count" });
});

test("a summary or some elements may be asked for", () => {
  expect(parsed("Patient", "_summary=true").summary).toBe("true");
  expect(parsed("Patient", "_elements=name,gender").elements).toEqual(["name", "gender"]);
});

test("inclusions are read in their order", () => {
  expect(
    parsed("Observation", "_include=Observation:patient&_revinclude:iterate=Provenance:target").inclusions,
  ).toEqual([
    { direction: "include", sourceType: "Observation", param: "patient", iterate: false },
    { direction: "revinclude", sourceType: "Provenance", param: "target", iterate: true },
  ]);
});

// https://hl7.org/fhir/R4/search.html#errors: unknown parameters are ignored unless Prefer: handling=strict.
test("lenient: an unknown parameter is ignored and the reason kept", () => {
  const query = parsed("Patient", "familly=x&gender=male");
  expect(query.used).toEqual([["gender", "male"]]);
  expect(query.ignored).toMatchObject([{ name: "familly" }]);
  expect(query.ignored[0]?.reason).toContain("family");
});

test("strict: an unknown parameter is refused by name with those near it", () => {
  const [refusal] = refusals("Patient", "familly=x", "strict");
  expect(refusal).toMatchObject({ kind: "not-supported", at: "familly", status: 400 });
  expect(refusal?.detail).toContain("Near it: family");
});

test("strict: what the server knows passes", () => {
  expect(refusals("Observation", "patient=1&date=2026&_sort=date&_count=5&_tag=a&_format=json", "strict")).toEqual([]);
});

test.each([
  ["_count", "many"],
  ["_count", "-1"],
  ["_total", "some"],
  ["_summary", "short"],
  ["_elements", ""],
  ["_id", "a b"],
  ["_lastUpdated", "lately"],
  ["_sort", "code"],
  ["_sort", "colour"],
  ["_include", "Observation:colour"],
])("%s=%s is refused", (name, value) => {
  expect(refusals("Observation", `${name}=${encodeURIComponent(value)}`)).toMatchObject([{ at: name, status: 400 }]);
});

test("all that is wrong is told at once", () => {
  expect(refusals("Observation", "date=x&_count=y")).toHaveLength(2);
});

test("a search of sixty-one parameters is too costly, and so are thirteen inclusions", () => {
  expect(refusals("Patient", "gender=male&".repeat(60))).toEqual([]);
  expect(refusals("Patient", "gender=male&".repeat(61))).toMatchObject([{ kind: "too-costly" }]);
  expect(refusals("Observation", "_include=Observation:patient&".repeat(13))).toHaveLength(1);
});
