import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import { type ParseOptions, parseSearch } from "../../../src/fhir/search/parse.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "default" });
});

const options = {
  handling: "lenient",
  defaultCount: 20,
  maxCount: 100,
  maxLinks: 2,
  nowMs: Date.UTC(2026, 5, 1),
} as const;

function parse(types: string, query: string, more: Partial<ParseOptions> = {}) {
  return parseSearch(definitions, types.split(","), [...new URLSearchParams(query)], { ...options, ...more });
}

function parsed(types: string, query: string, more: Partial<ParseOptions> = {}) {
  const read = parse(types, query, more);
  if (!read.ok) throw new Error(read.refusals[0]?.detail);
  return read.value;
}

function refusals(type: string, query: string, handling: "strict" | "lenient" = "lenient") {
  const read = parse(type, query, { handling });
  return read.ok ? [] : read.refusals;
}

test("a search without parameters asks for a first page of all", () => {
  expect(parsed("Patient", "")).toEqual({
    branches: [{ types: ["Patient"], clauses: [] }],
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
  expect(query.branches[0]?.clauses).toMatchObject([
    { kind: "string", anyOf: ["anna"] },
    { kind: "string", anyOf: ["lena", "otto"] },
  ]);
});

test("ids and the time of change are columns of their own", () => {
  expect(parsed("Patient", "_id=a,b&_lastUpdated=gt2026-01-01").branches[0]?.clauses).toMatchObject([
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

test("an order written in several parameters has no more keys than one", () => {
  expect(parsed("Patient", "_sort=family&_sort=-_id").sort).toHaveLength(3);
  expect(refusals("Patient", "_sort=family&".repeat(6))).toMatchObject([{ kind: "too-costly", at: "_sort" }]);
});

// https://hl7.org/fhir/R4/search.html#modifiers: a modifier that is not supported is refused, not ignored.
test.each(["_id:exact", "_id:missing", "_lastUpdated:not", "_list:text"])("%s is refused, lenient or not", (name) => {
  for (const handling of ["lenient", "strict"] as const)
    expect(refusals("Patient", `${name}=true`, handling)).toMatchObject([{ kind: "not-supported", at: name }]);
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

// https://hl7.org/fhir/R4/http.html#search: the system level searches several types with what they have in common.
test("types of which the same is asked share a branch, and the type settles ties in the order", () => {
  const query = parsed("Patient,Observation", "_lastUpdated=gt2026-01-01");
  expect(query.branches).toMatchObject([{ types: ["Patient", "Observation"], clauses: [{ kind: "date" }] }]);
  expect(query.sort).toEqual([
    { by: "type", descending: false },
    { by: "id", descending: false },
  ]);
});

test("types that keep a parameter apart have a branch each", () => {
  const { branches } = parsed("Observation,Condition", "code=a&_id=x");
  expect(branches.map((one) => one.types)).toEqual([["Observation"], ["Condition"]]);
  expect(branches[0]?.clauses[0]).not.toEqual(branches[1]?.clauses[0]);
  expect(branches[0]?.clauses[1]).toEqual(branches[1]?.clauses[1]);
});

test("what only one of several types has is unknown, and left out of all", () => {
  expect(refusals("Patient,Observation", "gender=male", "strict")).toMatchObject([
    { kind: "not-supported", at: "gender" },
  ]);
  const query = parsed("Patient,Observation", "gender=male");
  expect(query.ignored).toMatchObject([{ name: "gender" }]);
  expect(query.branches).toEqual([{ types: ["Patient", "Observation"], clauses: [] }]);
});

// https://hl7.org/fhir/R4/http.html#vsearch: a search within a compartment takes the parameters of the type as well.
test("a search within a patient's compartment asks that first and then the rest", () => {
  const { branches, used } = parsed("Observation", "status=final", { patientId: "23" });
  expect(branches[0]?.clauses).toMatchObject([{ kind: "any" }, { kind: "terms" }]);
  expect(used).toEqual([["status", "final"]]);
});

// https://hl7.org/fhir/R4/search.html#chaining: following links costs much, so a server may bound it.
test("a chain follows as many links as the options allow", () => {
  const twoLinks = "encounter.patient.family=x";
  expect(refusals("Observation", twoLinks)).toEqual([]);
  expect(parse("Observation", twoLinks, { maxLinks: 1 })).toMatchObject({
    ok: false,
    refusals: [{ kind: "too-costly", status: 400 }],
  });
});

// https://hl7.org/fhir/R4/search.html#errors
test.each(["_text", "_content", "_filter", "_query", "_contained", "_containedType"])(
  "%s is left out: strict says what to do instead, lenient goes on without it",
  (name) => {
    const [refusal] = refusals("Patient", `${name}=x`, "strict");
    expect(refusal).toMatchObject({ kind: "not-supported", at: name, status: 400 });
    expect(refusal?.detail).not.toContain("Near it");
    expect(parsed("Patient", `${name}=x`).ignored).toEqual([{ name, reason: refusal?.detail }]);
  },
);

// https://hl7.org/fhir/R4/search.html#summary: _include and _revinclude cannot be mixed with _summary=text.
test("a summary of the text takes no inclusions", () => {
  expect(refusals("Observation", "_summary=text&_include=Observation:patient")).toMatchObject([{ at: "_summary" }]);
  expect(refusals("Observation", "_summary=text")).toEqual([]);
});
