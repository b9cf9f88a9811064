import type { Resource } from "@medplum/fhirtypes";
import { afterAll, beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../src/fhir/definitions.ts";
import { numberMatches, rangeMatches } from "../../src/fhir/search/compare.ts";
import { extractIndexValues } from "../../src/fhir/search/extract.ts";
import type { IndexValues } from "../../src/fhir/search/index-values.ts";
import type { Clause, Prefix, SearchQuery } from "../../src/fhir/search/query.ts";
import { type Database, inTenant, openDatabase, readInTenant } from "../../src/store/database.ts";
import { createResources, type NewResource } from "../../src/store/resource.ts";
import { resourcesWithTerms, searchResources } from "../../src/store/search.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { testDatabase } from "../support/database.ts";
import { nowMs, parsed as read } from "./search-world.ts";

let database: Database;
let drop: () => Promise<void>;
let definitions: Definitions;

beforeAll(async () => {
  const made = await testDatabase();
  drop = made.drop;
  database = openDatabase(made.connectionString);
  definitions = createDefinitions({ types: "default" });
});

afterAll(async () => {
  await database.close();
  await drop();
});

const dayMs = 86_400_000;
const prefixes: readonly Prefix[] = ["eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"];

/** A tenant that no other test writes to. */
async function freshTenant(name: string): Promise<number> {
  return (await ensureTenant(database, name)).tenantId;
}

function row(type: string, id: string, index: Partial<IndexValues>, lastUpdatedMs = nowMs): NewResource {
  const none: IndexValues = { terms: [], placeTerms: [], strings: [], dates: [], quantities: [], hot: {} };
  const body = JSON.stringify({ resourceType: type, id });
  return { type, id, version: 1, lastUpdatedMs, deleted: false, body, index: { ...none, ...index } };
}

function resourceRow(resource: Resource): NewResource {
  return row(resource.resourceType, resource.id ?? "", extractIndexValues(definitions, resource));
}

function save(tenantId: number, rows: readonly NewResource[]): Promise<Set<string>> {
  return inTenant(database, tenantId, (session) => createResources(session, rows));
}

function queryOf(type: string, clauses: readonly Clause[]): SearchQuery {
  const sort = [{ by: "id", descending: false }] as const;
  return {
    branches: [{ types: [type], clauses }],
    sort,
    count: 1_000,
    total: "none",
    inclusions: [],
    used: [],
    ignored: [],
  };
}

function parsed(type: string, text: string): SearchQuery {
  return read(definitions, [type], text);
}

async function idsOf(tenantId: number, query: SearchQuery): Promise<string[]> {
  const page = await readInTenant(database, tenantId, (session) => searchResources(session, query));
  return page.matches.map((match) => match.id);
}

/** Ranges between the four marks and the two open ends, as the table of prefixes meets them. */
function rangesOver(marks: readonly number[]): { readonly low: number; readonly high: number }[] {
  const ends = [Number.NEGATIVE_INFINITY, ...marks, Number.POSITIVE_INFINITY];
  return ends.flatMap((low) => ends.filter((high) => high > low).map((high) => ({ low, high })));
}

// The prefixes of https://hl7.org/fhir/R4/search.html#prefix; tests/fhir/search/compare.test.ts holds rangeMatches to
// the examples of that page, this test holds the SQL to rangeMatches.
test("every prefix finds the same times in the database as in memory, open ends included", async () => {
  const tenantId = await freshTenant("date-grid");
  const marks = [1, 2, 3, 4].map((day) => Date.UTC(2026, 2, day));
  const stored = rangesOver(marks).map((range, i) => ({ ...range, id: `r${String(i).padStart(2, "0")}` }));
  await save(
    tenantId,
    stored.map(({ id, low, high }) =>
      row("Encounter", id, {
        dates: [{ key: "7", lowMs: low, highMs: high }],
        hot: { startMs: low, endMs: high },
      }),
    ),
  );
  const asked = rangesOver(marks).filter(({ low, high }) => Number.isFinite(low) && Number.isFinite(high));
  for (const prefix of prefixes) {
    for (const { low, high } of asked) {
      const expected = stored.filter((one) => rangeMatches({ prefix, low, high }, one.low, one.high));
      for (const column of ["hot", { keys: ["7"] }] as const) {
        const found = await idsOf(
          tenantId,
          queryOf("Encounter", [{ kind: "date", column, anyOf: [{ prefix, low, high }] }]),
        );
        const where = `${prefix} ${new Date(low).toISOString()} ${new Date(high).toISOString()}`;
        expect(found, where).toEqual(expected.map((one) => one.id));
      }
    }
  }
});

test("every prefix finds the same numbers in the database as in memory, open ends included", async () => {
  const tenantId = await freshTenant("number-grid");
  const marks = [-2.5, 0, 1, 100.5];
  const points = marks.map((mark) => ({ low: mark, high: mark }));
  const stored = [...points, ...rangesOver(marks)].map((range, i) => ({ ...range, id: `r${10 + i}` }));
  const entry = { key: "7", unit: "0" };
  await save(
    tenantId,
    stored.map(({ id, low, high }) => row("Observation", id, { quantities: [{ ...entry, low, high }] })),
  );
  const asked = [...points, ...rangesOver(marks)].filter(({ low, high }) => Number.isFinite(low + high));
  for (const prefix of prefixes) {
    for (const { low, high } of asked) {
      const expected = stored.filter((one) => numberMatches({ prefix, low, high }, one.low, one.high));
      const anyOf = [{ prefix, low, high, unit: "0" }];
      const found = await idsOf(tenantId, queryOf("Observation", [{ kind: "quantity", keys: ["7"], anyOf }]));
      expect(found, `${prefix} ${low} ${high}`).toEqual(expected.map((one) => one.id));
    }
  }
});

// https://hl7.org/fhir/R4/datatypes.html#date: years 0001 to 9999 are dates.
test("a stay whose end is written as 9999-12-31 is stored, and found as one that goes on", async () => {
  const tenantId = await freshTenant("edges");
  const stay = (id: string, start: string, end: string): Resource => ({
    resourceType: "Encounter",
    id,
    status: "in-progress",
    class: { code: "IMP" },
    period: { start, end },
  });
  await save(tenantId, [
    resourceRow(stay("ended", "2026-01-01", "2026-01-05")),
    resourceRow(stay("going-on", "2026-01-01", "9999-12-31")),
    resourceRow(stay("from-the-first", "0001-01-01T00:00:00+14:00", "2026-01-05")),
  ]);
  expect(await idsOf(tenantId, parsed("Encounter", "date=gt2500"))).toEqual(["going-on"]);
  expect(await idsOf(tenantId, parsed("Encounter", "date=lt0002"))).toEqual(["from-the-first"]);
  expect(await idsOf(tenantId, parsed("Encounter", "date=le9999-12-31"))).toEqual([
    "ended",
    "from-the-first",
    "going-on",
  ]);
  // A tenth of two thousand years to either side: until the third century.
  expect(await idsOf(tenantId, parsed("Encounter", "date=ap0001"))).toEqual(["from-the-first"]);
});

// https://hl7.org/fhir/R4/resource.html#Meta: lastUpdated is an instant, to the millisecond here.
test("the time of change is compared like any other instant", async () => {
  const tenantId = await freshTenant("changed");
  const times = [-1, 0, 1, dayMs - 1, dayMs].map((offset) => Date.UTC(2026, 2, 1) + offset);
  await save(
    tenantId,
    times.map((time, i) => row("Flag", `f${i}`, {}, time)),
  );
  for (const prefix of prefixes.filter((one) => one !== "ap")) {
    const test = { prefix, low: Date.UTC(2026, 2, 1), high: Date.UTC(2026, 2, 2) };
    const expected = times.flatMap((time, i) => (rangeMatches(test, time, time + 1) ? [`f${i}`] : []));
    expect(await idsOf(tenantId, parsed("Flag", `_lastUpdated=${prefix}2026-03-01`)), prefix).toEqual(expected);
  }
});

function patientNamed(id: string, family: string): Resource {
  return { resourceType: "Patient", id, name: [{ family }] };
}

// The examples (Eve, Evelyn, Severine; Son and its spellings) are those of https://hl7.org/fhir/R4/search.html#string.
test("names are found by their start, by a part, or as they are written", async () => {
  const tenantId = await freshTenant("names");
  const families = ["Eve", "Evelyn", "Severine", "Ève", "SON", "Son", "Sonder", "Erikson", "100%", "a_b", "So\\n"];
  await save(
    tenantId,
    families.map((family, i) => resourceRow(patientNamed(`p${10 + i}`, family))),
  );
  const found = async (name: string, value: string) => {
    const ids = await idsOf(tenantId, parsed("Patient", new URLSearchParams([[name, value]]).toString()));
    return ids.map((id) => families[Number(id.slice(1)) - 10]);
  };
  expect(await found("family", "eve")).toEqual(["Eve", "Evelyn", "Ève"]);
  expect(await found("family", "ÈVE")).toEqual(["Eve", "Evelyn", "Ève"]);
  expect(await found("family:contains", "eve")).toEqual(["Eve", "Evelyn", "Severine", "Ève"]);
  expect(await found("family:contains", "son")).toEqual(["SON", "Son", "Sonder", "Erikson"]);
  expect(await found("family:exact", "Son")).toEqual(["Son"]);
  expect(await found("family:exact", "Eve,Ève")).toEqual(["Eve", "Ève"]);
  // What SQL's LIKE takes for a wildcard is a letter like any other.
  expect(await found("family:contains", "%")).toEqual(["100%"]);
  expect(await found("family", "a_")).toEqual(["a_b"]);
  expect(await found("family:contains", "_")).toEqual(["a_b"]);
});

function observation(id: string, fields: Partial<Extract<Resource, { resourceType: "Observation" }>>): Resource {
  return { resourceType: "Observation", id, status: "final", code: { text: "a value" }, ...fields };
}

// https://hl7.org/fhir/R4/search.html#modifiers: :not reverses the code matching and also finds what has no value;
// :missing asks for the presence of a value.
test("not and missing also find what has no value at all", async () => {
  const tenantId = await freshTenant("negation");
  const category = (code: string) => [{ coding: [{ system: "http://example.org/c", code }] }];
  await save(tenantId, [
    resourceRow(observation("a", { category: category("one") })),
    resourceRow(observation("b", { category: [...category("one"), ...category("two")] })),
    resourceRow(observation("c", { category: category("two") })),
    resourceRow(observation("d", {})),
  ]);
  expect(await idsOf(tenantId, parsed("Observation", "category=one"))).toEqual(["a", "b"]);
  expect(await idsOf(tenantId, parsed("Observation", "category:not=one"))).toEqual(["c", "d"]);
  expect(await idsOf(tenantId, parsed("Observation", "category:not=one,two"))).toEqual(["d"]);
  expect(await idsOf(tenantId, parsed("Observation", "category:missing=true"))).toEqual(["d"]);
  expect(await idsOf(tenantId, parsed("Observation", "category:missing=false&category:not=two"))).toEqual(["a"]);
});

function measured(id: string, value: number, code: string): Resource {
  const system = "http://unitsofmeasure.org";
  return observation(id, { valueQuantity: { value, unit: code, system, code } });
}

// Amounts: 270 / 60 = 4.5, and m[H2O] is 9.80665 kPa in ucum-essence.xml 2.0.1; the forms of the query are those of
// https://hl7.org/fhir/R4/search.html#quantity.
test("a quantity is found in another unit of its kind, with its sign, and never in a unit of another kind", async () => {
  const tenantId = await freshTenant("units");
  await save(tenantId, [
    resourceRow(measured("flow-l-min", 270, "L/min")),
    resourceRow(measured("flow-l-s", 4.5, "L/s")),
    resourceRow(measured("pressure", -40, "cm[H2O]")),
    resourceRow(measured("pressure-kpa", 3.92266, "kPa")),
    resourceRow(measured("volume", 4.5, "L")),
  ]);
  const found = (value: string) =>
    idsOf(tenantId, parsed("Observation", new URLSearchParams([["value-quantity", value]]).toString()));
  const ucum = "http://unitsofmeasure.org";
  expect(await found(`4.5|${ucum}|L/s`)).toEqual(["flow-l-min", "flow-l-s"]);
  expect(await found(`270|${ucum}|L/min`)).toEqual(["flow-l-min", "flow-l-s"]);
  expect(await found("270||L/min")).toEqual(["flow-l-min", "flow-l-s"]);
  expect(await found(`lt0|${ucum}|cm[H2O]`)).toEqual(["pressure"]);
  expect(await found(`-40|${ucum}|cm[H2O]`)).toEqual(["pressure"]);
  expect(await found(`40|${ucum}|cm[H2O]`)).toEqual(["pressure-kpa"]);
  expect(await found("4.5")).toEqual(["flow-l-s", "volume"]);
  expect(await found(`gt0|${ucum}|L`)).toEqual(["volume"]);
});

test("a deleted resource and another tenant's resources are never found, counted or included", async () => {
  const tenantId = await freshTenant("mine");
  const otherId = await freshTenant("theirs");
  const shared = { terms: ["11"], strings: [{ key: "7", folded: "anna", exact: "Anna" }] };
  await save(tenantId, [row("Patient", "kept", shared), { ...row("Patient", "gone", shared), deleted: true }]);
  await save(otherId, [row("Patient", "kept", shared), row("Patient", "foreign", shared)]);
  const clauses: Clause[] = [
    { kind: "terms", anyOf: ["11"], negate: false },
    { kind: "terms", anyOf: ["12"], negate: true },
    { kind: "string", keys: ["7"], match: "contains", anyOf: ["nn"] },
    { kind: "id", anyOf: ["kept", "gone", "foreign"] },
  ];
  for (const clause of clauses) {
    const query: SearchQuery = { ...queryOf("Patient", [clause]), total: "accurate" };
    const page = await readInTenant(database, tenantId, (session) => searchResources(session, query));
    expect([page.matches.map((match) => match.id), page.total], clause.kind).toEqual([["kept"], 1]);
  }
  const included = await readInTenant(database, tenantId, (session) =>
    resourcesWithTerms(session, [{ type: "Patient", terms: ["11"] }], 10),
  );
  expect(included.map((one) => one.id)).toEqual(["kept"]);
});
