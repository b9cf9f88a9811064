import type { CapabilityStatement } from "@medplum/fhirtypes";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { searchExample } from "../fhir/search-example.ts";
import { personWithCircuit, upload, useRecord } from "../flows/person-with-circuit.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { askerOf, shownIn } from "../support/asking.ts";
import { oneOfEachKind } from "../support/declared-requests.ts";

// OWASP API Security Top 10 (2023), API8, and OWASP ASVS 4.0.3, V5.1–V5.3. Where they can be, the places that are tried are
// read from what the service says of itself, so that a new parameter is tried as well.
let here: TestApp;
const ask = askerOf(() => here);

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
  await personWithCircuit(here, "anna");
  await upload(here, useRecord(here, "anna", ["08:00"]));
});

afterAll(async () => {
  // Whatever was tried, nothing may have been taken away.
  const { total } = (await ask("GET", "/fhir/Patient?_summary=count")).json() as { total: number };
  expect(total).toBe(1);
  await here.close();
});

/** Statements as they are tried on every kind of value; each would show or change something where text became SQL. */
const statements = [
  "' or '1'='1",
  "'; drop table resource; --",
  "1) or true --",
  "a' union select null, body from resource --",
  '"; select pg_sleep(20); --',
  "$1",
  "\\'; --",
  "%' escape '\\",
  "{1,2}",
  "a\u0000b",
  "\ud800",
  "\u202e\u2066x",
  "x".repeat(3_000),
];

describe("a statement instead of a value", () => {
  test("of every kind of search parameter of every type finds nobody and breaks nothing", async () => {
    const statement = (await ask("GET", "/fhir/metadata")).json() as CapabilityStatement;
    const types = statement.rest?.[0]?.resource ?? [];
    const kinds = new Set<string>();
    for (const { type, searchParam = [] } of types.filter((one) =>
      ["Patient", "Observation", "Task", "Device"].includes(one.type),
    )) {
      for (const parameter of oneOfEachKind(searchParam)) {
        const [name] = searchExample(parameter, type);
        kinds.add(parameter.type);
        for (const value of statements) {
          const query = new URLSearchParams([[name, value]]);
          const answer = await ask("GET", `/fhir/${type}?${query}`, { headers: { prefer: "handling=strict" } });
          if (answer.statusCode === 200)
            expect([type, name, value.slice(0, 50), shownIn(answer.body)]).toEqual([type, name, value.slice(0, 50), 0]);
        }
      }
    }
    // https://hl7.org/fhir/R4/search.html#ptypes
    for (const kind of ["string", "token", "reference", "date", "uri", "quantity"]) expect([...kinds]).toContain(kind);
  }, 60_000);

  test.each([
    "_id",
    "_lastUpdated",
    "_sort",
    "_count",
    "_include",
    "_revinclude",
    "_has:Observation:subject:code",
    "_elements",
    "_summary",
    "_total",
    "_type",
    "_cursor",
    "_tag",
    "_profile",
    "family:exact",
    "name:contains",
    "organization:Organization.name",
    "identifier:of-type",
    "x' or 1=1",
  ])("of %s is refused, or finds no more than without", async (name) => {
    for (const value of statements) {
      const query = new URLSearchParams([[name, value]]);
      const answer = await ask("GET", `/fhir/Patient?${query}`);
      if (answer.statusCode === 200) expect(shownIn(answer.body)).toBeLessThanOrEqual(1);
      await ask("POST", "/fhir/Patient/_search", { body: query.toString(), type: "application/x-www-form-urlencoded" });
    }
  });

  test("of a path is an id or an address that is not there", async () => {
    for (const value of statements) {
      const part = encodeURIComponent(value.isWellFormed() ? value : "x'--");
      const fhir = [
        `/fhir/Patient/${part}`,
        `/fhir/${part}`,
        `/fhir/Patient/anna/_history/${part}`,
        `/fhir/Patient/anna/${part}`,
        `/fhir/Patient/${part}/$everything`,
      ];
      const own = [
        `/api/v1/patients/${part}/days`,
        `/api/v1/uploads/${part}`,
        `/api/v1/plans/${part}/thresholds`,
        `/api/v1/tasks/${part}/explain`,
        `/api/v1/clients/${part}`,
      ];
      for (const url of [...fhir, ...own]) {
        const { statusCode } = await ask("GET", url);
        expect([url.slice(0, 100), statusCode >= 400]).toEqual([url.slice(0, 100), true]);
      }
    }
  });

  test("of a header changes nothing but the answer's form", async () => {
    const headers = [
      "if-match",
      "if-none-match",
      "if-none-exist",
      "if-modified-since",
      "prefer",
      "accept",
      "accept-encoding",
      "content-encoding",
      "x-request-id",
      "forwarded",
      "x-forwarded-host",
      "x-forwarded-for",
      "range",
      "x-http-method-override",
    ];
    for (const name of headers) {
      for (const value of statements.filter((one) => /^[\x20-\x7e]+$/.test(one))) {
        await ask("GET", "/fhir/Patient/anna", { headers: { [name]: value } });
        await ask("PATCH", "/fhir/Patient/nobody", {
          body: "[]",
          type: "application/json-patch+json",
          headers: { [name]: value },
        });
      }
    }
  });

  test("of every query parameter of /api/v1 is refused, or finds nobody", async () => {
    const { paths } = here.app.swagger() as unknown as {
      paths: Record<string, { get?: { parameters?: { name: string; in: string }[] } }>;
    };
    const tried: string[] = [];
    for (const [path, { get }] of Object.entries(paths).filter(([path]) => path.startsWith("/api/v1"))) {
      const url = path
        .replace("{patientId}", "anna")
        .replace("{planId}", "plan-anna")
        .replace(/\{\w+\}/, "none");
      for (const { name } of (get?.parameters ?? []).filter((one) => one.in === "query")) {
        tried.push(`${path} ${name}`);
        for (const value of statements) {
          const needed = url.endsWith("explain") && name !== "rule" ? "&rule=low-use" : "";
          await ask("GET", `${url}?${new URLSearchParams([[name, value]])}${needed}`);
        }
        // Twice, in brackets, and as a property of every object.
        for (const query of [
          `${name}=1&${name}=2`,
          `${name}[]=1`,
          `${name}[__proto__]=1`,
          `__proto__[${name}]=1`,
          `constructor.prototype.${name}=1`,
        ]) {
          const { statusCode } = await ask("GET", `${url}?${query}`);
          expect([url, query, statusCode]).toEqual([url, query, 400]);
        }
      }
    }
    expect(tried.length).toBeGreaterThan(15);
    expect(
      (await ask("GET", `/api/v1/caseload?${new URLSearchParams([["name", "' or '1'='1"]])}`)).json(),
    ).toMatchObject({ rows: [] });
  }, 60_000);
});

describe("a place in another list", () => {
  test.each([
    "x",
    ".",
    "e30.e30",
    "W10.AAAAAAAAAAAAAAAAAAAAAA",
    `${Buffer.from('["\' or 1=1"]').toString("base64url")}.AAAAAAAAAAAAAAAAAAAAAA`,
    "x".repeat(900),
    "__proto__.__proto__",
  ])("the cursor %j is none of ours in any list", async (cursor) => {
    const at = encodeURIComponent(cursor);
    for (const url of [
      `/fhir/Patient?_cursor=${at}`,
      `/fhir/_history?_cursor=${at}`,
      `/fhir/Patient/anna/$everything?_cursor=${at}`,
      `/api/v1/caseload?cursor=${at}`,
      `/api/v1/uploads?cursor=${at.slice(0, 500)}`,
      `/api/v1/parts/forecast?cursor=${at}`,
    ]) {
      expect([url, (await ask("GET", url)).statusCode]).toEqual([url, 400]);
    }
  });
});
