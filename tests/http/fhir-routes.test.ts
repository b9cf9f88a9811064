import { gzipSync } from "node:zlib";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";

// Expectations from https://hl7.org/fhir/R4/http.html, section by section as named.
let here: TestApp;

beforeAll(async () => {
  here = await testApp("2026-03-10T12:00:00Z", { maxBodyBytes: 20_000 });
});

afterAll(() => here.close());

type Method = "GET" | "POST" | "PUT" | "DELETE" | "PATCH" | "HEAD";

function call(method: Method, url: string, body?: unknown, headers: Record<string, string> = {}) {
  const payload =
    body === undefined ? undefined : typeof body === "string" || Buffer.isBuffer(body) ? body : JSON.stringify(body);
  const sent = payload === undefined ? { authorization: here.headers.authorization } : here.headers;
  return here.app.inject({
    method,
    url,
    headers: { ...sent, ...headers },
    ...(payload === undefined ? {} : { payload }),
  });
}

const anna = (id: string, family = "Fernleigh") => ({
  resourceType: "Patient",
  id,
  name: [{ family, given: ["Anna"] }],
});

describe("create, read, version read, update, delete", () => {
  test("create answers 201 with Location, a weak ETag and Last-Modified (section create)", async () => {
    const answer = await call("POST", "/fhir/Patient", { resourceType: "Patient" });
    expect(answer.statusCode).toBe(201);
    const { id } = answer.json();
    expect(answer.headers.location).toBe(`https://gate.test/fhir/Patient/${id}/_history/1`);
    expect(answer.headers.etag).toBe('W/"1"');
    expect(Date.parse(String(answer.headers["last-modified"]))).toBe(Date.parse("2026-03-10T12:00:00Z"));
  });

  test("an id sent with a create is ignored (section create)", async () => {
    const answer = await call("POST", "/fhir/Patient", anna("mine"));
    expect(answer.json().id).not.toBe("mine");
  });

  test("update as create answers 201, the next update 200 and version 2 (section upsert)", async () => {
    const first = await call("PUT", "/fhir/Patient/anna", anna("anna"));
    const second = await call("PUT", "/fhir/Patient/anna", anna("anna", "Gorsefield"));
    expect([first.statusCode, second.statusCode, second.json().meta.versionId]).toEqual([201, 200, "2"]);
    const old = await call("GET", "/fhir/Patient/anna/_history/1");
    expect(old.json().name[0].family).toBe("Fernleigh");
  });

  test("another id in the body than in the address is refused with 400 (section update)", async () => {
    const answer = await call("PUT", "/fhir/Patient/one", anna("other"));
    expect(answer.statusCode).toBe(400);
    expect(answer.json()).toMatchObject({ resourceType: "OperationOutcome", issue: [{ expression: ["Patient.id"] }] });
  });

  test("If-Match with an old version answers 412 (section concurrency)", async () => {
    await call("PUT", "/fhir/Patient/raced", anna("raced"));
    const right = await call("PUT", "/fhir/Patient/raced", anna("raced"), { "if-match": 'W/"1"' });
    const stale = await call("PUT", "/fhir/Patient/raced", anna("raced"), { "if-match": 'W/"1"' });
    expect([right.statusCode, stale.statusCode]).toEqual([200, 412]);
  });

  test("If-None-Match with the current version answers 304 (section cread)", async () => {
    await call("PUT", "/fhir/Patient/known", anna("known"));
    const answer = await call("GET", "/fhir/Patient/known", undefined, { "if-none-match": 'W/"1"' });
    expect([answer.statusCode, answer.body]).toEqual([304, ""]);
  });

  test("a deleted resource answers 410, its versions stay, and it can be made again (section delete)", async () => {
    await call("PUT", "/fhir/Patient/gone", anna("gone"));
    const deleted = await call("DELETE", "/fhir/Patient/gone");
    const read = await call("GET", "/fhir/Patient/gone");
    const old = await call("GET", "/fhir/Patient/gone/_history/1");
    const again = await call("PUT", "/fhir/Patient/gone", anna("gone"));
    expect([deleted.statusCode, read.statusCode, old.statusCode, again.statusCode]).toEqual([204, 410, 200, 201]);
    expect(again.json().meta.versionId).toBe("3");
  });

  test("deleting what was never there is no error (section delete)", async () => {
    expect((await call("DELETE", "/fhir/Patient/never")).statusCode).toBe(204);
  });

  test("what was sent comes back digit for digit (https://hl7.org/fhir/R4/json.html#decimal)", async () => {
    const text = `{"resourceType":"Observation","id":"exact","status":"final","code":{"text":"x"},"valueQuantity":{"value":1.50}}`;
    await call("PUT", "/fhir/Observation/exact", text);
    expect((await call("GET", "/fhir/Observation/exact")).body).toContain('"value":1.50');
  });
});

describe("refusals", () => {
  const cases: readonly (readonly [
    what: string,
    method: Method,
    url: string,
    body: unknown,
    headers: Record<string, string>,
    status: number,
  ])[] = [
    ["a resource that is not there", "GET", "/fhir/Patient/nobody", undefined, {}, 404],
    ["a type that R4 does not have", "GET", "/fhir/Teapot/1", undefined, {}, 404],
    ["a type that is not switched on", "GET", "/fhir/Coverage/1", undefined, {}, 404],
    ["a version that is no number", "GET", "/fhir/Patient/anna/_history/x", undefined, {}, 404],
    ["XML asked for", "GET", "/fhir/Patient/anna", undefined, { accept: "application/fhir+xml" }, 406],
    ["XML sent", "POST", "/fhir/Patient", "<Patient/>", { "content-type": "application/fhir+xml" }, 415],
    ["malformed JSON", "POST", "/fhir/Patient", '{"resourceType":', {}, 400],
    ["an empty body", "POST", "/fhir/Patient", "", {}, 400],
    ["a resource of another type", "POST", "/fhir/Patient", { resourceType: "Device" }, {}, 400],
    ["an element that R4 does not have", "POST", "/fhir/Patient", { resourceType: "Patient", colour: "red" }, {}, 400],
    [
      "a missing required element",
      "POST",
      "/fhir/Observation",
      { resourceType: "Observation", status: "final" },
      {},
      400,
    ],
    ["a body over the limit", "POST", "/fhir/Patient", { resourceType: "Patient", id: "x".repeat(30_000) }, {}, 413],
    ["truncated gzip", "POST", "/fhir/Patient", gzipSync("{}").subarray(0, 8), { "content-encoding": "gzip" }, 400],
    ["a method that the address does not take", "POST", "/fhir/Patient/anna", {}, {}, 405],
    ["an If-Match that is no ETag", "PUT", "/fhir/Patient/anna", anna("anna"), { "if-match": "7" }, 400],
    ["a page link that is not ours", "GET", "/fhir/Patient?_cursor=forged.xyz", undefined, {}, 400],
    ["a date that is none", "GET", "/fhir/Patient?birthdate=tomorrow", undefined, {}, 400],
    ["a prototype as id", "GET", "/fhir/Patient/__proto__", undefined, {}, 404],
    ["a NUL in a search", "GET", "/fhir/Patient?name=%00", undefined, {}, 400],
    ["a Bundle that is no transaction", "POST", "/fhir", { resourceType: "Bundle", type: "collection" }, {}, 400],
  ];

  test.each(cases)("%s: %s %s", async (_what, method, url, body, headers, status) => {
    const answer = await call(method, url, body, headers);
    expect(answer.statusCode).toBe(status);
    expect(answer.json()).toMatchObject({ resourceType: "OperationOutcome", issue: [{ severity: "error" }] });
  });

  test("a wrong address says what it takes: 405 with Allow", async () => {
    const answer = await call("POST", "/fhir/Patient/anna", {});
    expect(answer.headers.allow).toBe("GET, HEAD, PUT, PATCH, DELETE");
  });

  test("without a token, or with a wrong one, 401 and how to log in (RFC 6750, 3)", async () => {
    for (const headers of [{}, { authorization: "Bearer wrong" }, { authorization: "Basic YTpi" }]) {
      const answer = await here.app.inject({ method: "GET", url: "/fhir/Patient/anna", headers });
      expect(answer.statusCode).toBe(401);
      expect(answer.headers["www-authenticate"]).toContain("Bearer");
    }
  });

  test("a stranger's token finds nothing of ours", async () => {
    await call("PUT", "/fhir/Patient/ours", anna("ours"));
    const headers = { authorization: `Bearer ${here.strangersToken}` };
    const read = await here.app.inject({ method: "GET", url: "/fhir/Patient/ours", headers });
    const search = await here.app.inject({ method: "GET", url: "/fhir/Patient?_id=ours&_total=accurate", headers });
    expect([read.statusCode, search.json().total]).toEqual([404, 0]);
  });
});

describe("/metadata and headers", () => {
  test("the capability statement needs no token and names the types that answer (section capabilities)", async () => {
    const answer = await here.app.inject({ method: "GET", url: "/fhir/metadata" });
    const statement = answer.json();
    expect([answer.statusCode, statement.fhirVersion]).toEqual([200, "4.0.1"]);
    for (const { type } of statement.rest[0].resource) {
      expect((await call("GET", `/fhir/${type}?_count=1`)).statusCode, type).toBe(200);
    }
  });

  test("every search parameter that is declared can be asked for", async () => {
    const statement = (await here.app.inject({ method: "GET", url: "/fhir/metadata" })).json();
    const values: Record<string, string> = {
      date: "2026-01-01",
      number: "1",
      quantity: "1",
      reference: "Patient/a",
      uri: "urn:a",
      token: "a",
      string: "a",
    };
    const failed: string[] = [];
    for (const { type, searchParam } of statement.rest[0].resource) {
      // The trail takes other values; tests/http/audit-search.test.ts asks it for each of its parameters.
      if (type === "AuditEvent") continue;
      for (const parameter of searchParam) {
        // Composites and `_has` have values of their own; tests/fhir/capability.test.ts and house/declared.test.ts ask for them.
        if (!Object.hasOwn(values, parameter.type)) continue;
        const url = `/fhir/${type}?${parameter.name}=${values[parameter.type]}&_count=1`;
        const answer = await call("GET", url, undefined, { prefer: "handling=strict" });
        if (answer.statusCode !== 200) failed.push(`${url}: ${answer.statusCode}`);
      }
    }
    expect(failed).toEqual([]);
  });

  test("Prefer: return decides what a write answers (section ops)", async () => {
    const minimal = await call("POST", "/fhir/Patient", anna("x"), { prefer: "return=minimal" });
    const outcome = await call("POST", "/fhir/Patient", anna("x"), { prefer: "return=OperationOutcome" });
    expect([minimal.body, outcome.json().resourceType]).toEqual(["", "OperationOutcome"]);
  });

  test("the request's id comes back, and a strange one is replaced", async () => {
    const given = await call("GET", "/fhir/Patient/anna", undefined, { "x-request-id": "abc-1" });
    const strange = await call("GET", "/fhir/Patient/anna", undefined, { "x-request-id": "a b<script>" });
    expect(given.headers["x-request-id"]).toBe("abc-1");
    expect(strange.headers["x-request-id"]).not.toContain("script");
  });
});
