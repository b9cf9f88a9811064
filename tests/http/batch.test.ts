import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";
import { byNumber, callsTo, person, placeOf } from "../support/calls.ts";

// https://hl7.org/fhir/R4/http.html#transaction: "batch" entries are each processed by themselves.
let here: TestApp;
const { call, count, read, sendBundle } = callsTo(() => here);
const batch = (...entry: unknown[]) => sendBundle("batch", entry);

beforeAll(async () => {
  here = await testApp("2026-03-10T12:00:00Z", { limits: { maxBundleEntries: 12 } });
  await call("PUT", "/fhir/Patient/base", person("base", { id: "base" }));
});

afterAll(() => here.close());

const put = (id: string, request: Record<string, unknown> = {}) => ({
  resource: person(id, { id }),
  request: { method: "PUT", url: `Patient/${id}`, ...request },
});

describe("each entry is a request of its own", () => {
  test("one fails, the others stay, and each has its status line", async () => {
    const { status, body, entries, statuses } = await batch(
      put("b1"),
      { resource: { resourceType: "Observation", status: "final" }, request: { method: "POST", url: "Observation" } },
      { request: { method: "GET", url: "Patient/b1" } },
      { request: { method: "GET", url: "Patient/nobody" } },
      { request: { method: "GET", url: `Patient?${byNumber("b1")}` } },
      { request: { method: "HEAD", url: "/Patient/b1" } },
      { request: { method: "DELETE", url: "Patient/b1" } },
      { request: { method: "GET", url: "Patient/b1" } },
    );
    expect([status, body.type]).toEqual([200, "batch-response"]);
    expect(statuses).toEqual([
      "201 Created",
      "400 Bad Request",
      "200 OK",
      "404 Not Found",
      "200 OK",
      "200 OK",
      "204 No Content",
      "410 Gone",
    ]);
    expect(entries[0]?.response).toMatchObject({
      location: "https://gate.test/fhir/Patient/b1/_history/1",
      etag: 'W/"1"',
      lastModified: "2026-03-10T12:00:00.000Z",
    });
    expect(entries[1]?.response.outcome).toMatchObject({ issue: [{ severity: "error" }] });
    expect(entries.map((one) => one.resource?.resourceType)).toEqual([
      undefined,
      undefined,
      "Patient",
      undefined,
      "Bundle",
      undefined,
      undefined,
      undefined,
    ]);
    expect((await call("GET", "/fhir/Patient/b1/_history/1")).statusCode).toBe(200);
  });

  test("ifMatch, ifNoneExist and ifNoneMatch hold as their header fields do", async () => {
    const create = {
      resource: person("b2-new"),
      request: { method: "POST", url: "Patient", ifNoneExist: byNumber("b2-new") },
    };
    const { statuses, entries } = await batch(
      put("b2"),
      put("b2", { ifMatch: 'W/"7"' }),
      put("b2", { ifMatch: 'W/"1"' }),
      put("b2", { ifNoneMatch: "*" }),
      create,
      create,
      { request: { method: "GET", url: "Patient/b2", ifNoneMatch: 'W/"2"' } },
      { request: { method: "GET", url: "Patient/b2", ifModifiedSince: "2026-03-10T12:00:00Z" } },
    );
    expect(statuses.map((one) => Number(one.slice(0, 3)))).toEqual([201, 412, 200, 412, 201, 200, 304, 304]);
    expect(entries[5]?.response.location).toBe(entries[4]?.response.location);
    expect((await read("Patient/b2")).meta.versionId).toBe("2");
  });

  // https://hl7.org/fhir/R4/http.html#patch: a JSON Patch is wrapped in a Binary.
  test("PATCH takes a JSON Patch in a Binary and a FHIRPath Patch as Parameters", async () => {
    const binary = {
      resourceType: "Binary",
      contentType: "application/json-patch+json",
      data: Buffer.from('[{"op":"add","path":"/active","value":true}]').toString("base64"),
    };
    const parameters = {
      resourceType: "Parameters",
      parameter: [
        {
          name: "operation",
          part: [
            { name: "type", valueCode: "add" },
            { name: "path", valueString: "Patient" },
            { name: "name", valueString: "gender" },
            { name: "value", valueCode: "other" },
          ],
        },
      ],
    };
    const request = { method: "PATCH", url: "Patient/b3" };
    const { statuses } = await batch(
      put("b3"),
      { resource: binary, request },
      { resource: parameters, request },
      { resource: person("b3"), request },
    );
    expect(statuses.map((one) => one.slice(0, 3))).toEqual(["201", "200", "200", "400"]);
    expect(await read("Patient/b3")).toMatchObject({ active: true, gender: "other", meta: { versionId: "3" } });
  });

  // https://hl7.org/fhir/R4/resource-operation-validate.html: the answer of the operation is an OperationOutcome.
  test("an operation is answered with its result as the resource of the entry", async () => {
    const { entries } = await batch(
      { resource: person("b4"), request: { method: "POST", url: "Patient/$validate" } },
      { request: { method: "GET", url: "Patient/base/$everything" } },
      { request: { method: "GET", url: "Patient/base/$nothing" } },
    );
    expect(entries.map((one) => [one.response.status, one.resource?.resourceType])).toEqual([
      ["200 OK", "OperationOutcome"],
      ["200 OK", "Bundle"],
      ["404 Not Found", undefined],
    ]);
  });

  test("the capability statement is answered, and an outcome in pretty print is still one", async () => {
    const { entries } = await batch(
      { request: { method: "GET", url: "metadata" } },
      { request: { method: "GET", url: "Patient/nobody?_pretty=true" } },
    );
    expect(entries[0]?.resource?.resourceType).toBe("CapabilityStatement");
    expect(entries[1]).not.toHaveProperty("resource");
    expect(entries[1]?.response.outcome?.resourceType).toBe("OperationOutcome");
  });

  test("Prefer: return=representation brings what was written", async () => {
    const { entries } = await sendBundle("batch", [put("b5")], { prefer: "return=representation" });
    expect(entries[0]?.resource).toMatchObject({ resourceType: "Patient", id: "b5" });
  });

  test("numbers stay as they were written (https://hl7.org/fhir/R4/json.html#decimal)", async () => {
    const text = `{"resourceType":"Bundle","type":"batch","entry":[{"request":{"method":"PUT","url":"Observation/b6"},"resource":{"resourceType":"Observation","id":"b6","status":"final","code":{"text":"x"},"valueQuantity":{"value":1.50}}}]}`;
    await call("POST", "/fhir", text);
    expect((await call("GET", "/fhir/Observation/b6")).body).toContain('"value":1.50');
  });

  test("conditional entries are taken, and what they make is found by the next", async () => {
    const { statuses, entries } = await batch(
      { resource: person("b7"), request: { method: "PUT", url: `Patient?${byNumber("b7")}` } },
      { resource: person("b7"), request: { method: "PUT", url: `Patient?${byNumber("b7")}` } },
      { request: { method: "DELETE", url: `Patient?${byNumber("b7")}` } },
    );
    expect(statuses.map((one) => one.slice(0, 3))).toEqual(["201", "200", "200"]);
    expect(placeOf(entries[0]?.response.location)).toBe(placeOf(entries[1]?.response.location));
    expect(await count(`Patient?${byNumber("b7")}`)).toBe(0);
  });
});

describe("bounds and bad entries", () => {
  test("the bound itself is taken, one entry more is refused as a whole", async () => {
    const entries = Array.from({ length: 13 }, (_, i) => put(`many-${i}`));
    expect((await sendBundle("batch", entries)).status).toBe(413);
    expect(await count("Patient?_id=many-0")).toBe(0);
    expect((await sendBundle("batch", entries.slice(0, 12))).status).toBe(200);
  });

  test("an empty batch has an empty answer, entries that are no list are refused", async () => {
    const empty = await call("POST", "/fhir", { resourceType: "Bundle", type: "batch" });
    const wrong = await call("POST", "/fhir", { resourceType: "Bundle", type: "batch", entry: { request: {} } });
    expect([empty.statusCode, empty.json()]).toEqual([200, { resourceType: "Bundle", type: "batch-response" }]);
    expect(wrong.statusCode).toBe(400);
  });

  test.each([
    ["null", null],
    ["a number", 7],
    ["no request", { resource: person("bad") }],
    ["a request that is a text", { request: "GET Patient/base" }],
    ["no method", { request: { url: "Patient/base" } }],
    ["a method that is none", { request: { method: "TRACE", url: "Patient/base" } }],
    ["no url", { request: { method: "GET" } }],
    ["a url that is a number", { request: { method: "GET", url: 7 } }],
    ["a resource that is null", { request: { method: "POST", url: "Patient" }, resource: null }],
    ["a resource that is a text", { request: { method: "POST", url: "Patient" }, resource: "Patient" }],
    ["a type that is not here", { request: { method: "GET", url: "Teapot/1" } }],
    ["a condition that is no ETag", put("base", { ifMatch: "seven" })],
    ["a condition that is no text", put("base", { ifMatch: 7 })],
    ["a condition with a line break", put("base", { ifMatch: 'W/"1"\r\nx: y' })],
    ["broken escapes in the url", { request: { method: "GET", url: "Patient/%zz" } }],
    ["half a surrogate pair in the url", { request: { method: "GET", url: "Patient/\ud800" } }],
  ])("an entry with %s is answered with its own 4xx, the next is carried out", async (_, entry) => {
    const before = (await read("Patient/base")).meta.versionId;
    const { status, entries } = await batch(entry, { request: { method: "GET", url: "Patient/base" } });
    expect(status).toBe(200);
    expect(entries[0]?.response.status).toMatch(/^4\d\d /);
    expect(entries[0]?.response.outcome?.resourceType).toBe("OperationOutcome");
    expect(entries[1]?.resource).toMatchObject({ id: "base", meta: { versionId: before } });
  });
});

// An entry's url is relative to the base of the service (https://hl7.org/fhir/R4/bundle.html#Bundle.entry.request.url).
test.each([
  "../api/patients",
  "/../api/patients",
  "Patient/../../api/patients",
  "Patient/%2e%2e/%2e%2e/api/patients",
  "Patient/%2E./.%2e/health/live",
  "Patient\\..\\..\\api\\patients",
  "Patient/.\t./.\n./api/patients",
  "Patient/..",
  "Patient/base/.",
  "//evil.example/Patient",
  "///evil.example/Patient",
  "http://evil.example/Patient",
  "HTTP://evil.example/Patient",
  "https://gate.test/fhir/Patient/base",
  "javascript:alert(1)",
  "metadata/../../api/patients",
  "metadatabase",
  "@evil.example/Patient",
  "",
  "/",
  "?_id=base",
])("the url %j never reaches another door", async (url) => {
  const { entries } = await batch({ request: { method: "GET", url } });
  expect(entries[0]?.response.status).toBe("400 Bad Request");
  expect(entries[0]?.response.outcome?.issue[0]).toMatchObject({ expression: ["Bundle.entry[0].request"] });
  expect(entries[0]).not.toHaveProperty("resource");
});

test("an entry meets the same token as the batch", async () => {
  const headers = { authorization: `Bearer ${here.strangersToken}` };
  const { statuses } = await sendBundle("batch", [{ request: { method: "GET", url: "Patient/base" } }], headers);
  expect(statuses).toEqual(["404 Not Found"]);
});
