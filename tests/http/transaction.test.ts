import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";
import { about, byNumber, callsTo, person, placeOf } from "../support/calls.ts";

// https://hl7.org/fhir/R4/http.html#trules and #transaction-response
let here: TestApp;
const { call, count, read, sendBundle } = callsTo(() => here);
const transact = (...entry: unknown[]) => sendBundle("transaction", entry);

beforeAll(async () => {
  here = await testApp("2026-03-10T12:00:00Z");
});

afterAll(() => here.close());

const put = (id: string, more: Record<string, unknown> = {}) =>
  call("PUT", `/fhir/Patient/${id}`, person(id, { id, ...more }));
const putEntry = (id: string, request: Record<string, unknown> = {}, more: Record<string, unknown> = {}) => ({
  resource: person(id, { id, ...more }),
  request: { method: "PUT", url: `Patient/${id}`, ...request },
});
const post = (resource: { resourceType: string }, more: Record<string, unknown> = {}) => ({
  resource,
  request: { method: "POST", url: resource.resourceType },
  ...more,
});
const get = (url: string, method = "GET") => ({ request: { method, url } });
const jsonPatch = (url: string, operations: unknown[]) => ({
  request: { method: "PATCH", url },
  resource: {
    resourceType: "Binary",
    contentType: "application/json-patch+json",
    data: Buffer.from(JSON.stringify(operations)).toString("base64"),
  },
});

describe("order and answers", () => {
  test("deletes come first, then creates, updates, patches and reads, whatever the order sent", async () => {
    await put("o-del");
    await put("o-patch");
    const { status, body, statuses, entries } = await transact(
      get("Patient?identifier=urn:example:number|o-del,urn:example:number|o-put,urn:example:number|o-post"),
      get("Patient/o-del"),
      get("Patient/o-patch"),
      jsonPatch("Patient/o-patch", [{ op: "add", path: "/active", value: true }]),
      putEntry("o-put"),
      post(person("o-post")),
      { request: { method: "DELETE", url: "Patient/o-del" } },
    );
    expect([status, body.type]).toEqual([200, "transaction-response"]);
    expect(statuses).toEqual([
      "200 OK",
      "410 Gone",
      "200 OK",
      "200 OK",
      "201 Created",
      "201 Created",
      "204 No Content",
    ]);
    expect(entries[0]?.resource?.entry).toHaveLength(2);
    expect(entries[2]?.resource).toMatchObject({ active: true, meta: { versionId: "2" } });
  });

  test("each entry says what became of it: status, location, etag and when", async () => {
    const { entries } = await transact(post(person("a1")), putEntry("a1-put"), putEntry("o-put"));
    const [created, made, changed] = entries.map((one) => one.response);
    expect(placeOf(created?.location)).toMatch(/^Patient\/[\w-]+$/);
    expect(made).toEqual({
      status: "201 Created",
      location: "https://gate.test/fhir/Patient/a1-put/_history/1",
      etag: 'W/"1"',
      lastModified: "2026-03-10T12:00:00.000Z",
    });
    expect(changed).toMatchObject({ status: "200 OK", etag: 'W/"2"' });
  });

  test("versions, searches and HEAD are read inside the transaction", async () => {
    await put("v1");
    await put("v1", { active: true });
    const { statuses, entries } = await transact(
      get("Patient/v1/_history/1"),
      get("Patient/v1/_history/9"),
      get(`Patient?${byNumber("v1")}`),
      get("Patient/v1", "HEAD"),
      get("Patient/v1-none", "HEAD"),
    );
    expect(statuses).toEqual(["200 OK", "404 Not Found", "200 OK", "200 OK", "404 Not Found"]);
    expect(entries[0]?.resource?.meta).toMatchObject({ versionId: "1" });
    expect(entries[0]?.resource).not.toHaveProperty("active");
    expect(entries[2]?.resource).toMatchObject({ type: "searchset", entry: [{ resource: { id: "v1" } }] });
    expect(entries[3]).not.toHaveProperty("resource");
    expect(entries[3]?.response.etag).toBe('W/"2"');
  });

  // https://hl7.org/fhir/R4/http.html#ops
  test("Prefer: return decides what writes answer with", async () => {
    const answers = await Promise.all(
      ["minimal", "representation", "OperationOutcome"].map((wish, i) =>
        sendBundle("transaction", [putEntry(`prefer-${i}`)], { prefer: `return=${wish}` }),
      ),
    );
    const [minimal, representation, outcome] = answers.map((one) => one.entries[0]);
    expect([minimal?.resource, minimal?.response.outcome]).toEqual([undefined, undefined]);
    expect(representation?.resource).toMatchObject({ resourceType: "Patient", id: "prefer-1" });
    expect(outcome?.response.outcome).toMatchObject({ issue: [{ severity: "information" }] });
  });

  test("a transaction without entries is answered by one without entries", async () => {
    expect((await transact()).body).toEqual({ resourceType: "Bundle", type: "transaction-response" });
  });
});

describe("patches", () => {
  test("a JSON Patch travels as Binary, a FHIRPath Patch as Parameters (section patch)", async () => {
    await put("p1");
    const parts = { type: "valueCode", path: "valueString", name: "valueString", value: "valueCode" };
    const values = { type: "add", path: "Patient", name: "gender", value: "other" };
    const part = Object.entries(parts).map(([name, key]) => ({ name, [key]: values[name as keyof typeof values] }));
    const byPath = {
      request: { method: "PATCH", url: `Patient?${byNumber("p1")}` },
      resource: { resourceType: "Parameters", parameter: [{ name: "operation", part }] },
    };
    expect((await transact(jsonPatch("Patient/p1", [{ op: "add", path: "/active", value: true }]))).status).toBe(200);
    expect((await transact(byPath)).status).toBe(200);
    expect(await read("Patient/p1")).toMatchObject({ active: true, gender: "other", meta: { versionId: "3" } });
  });

  test("a patch that cannot be applied undoes all, and says which entry it is", async () => {
    await put("p2");
    const removal = jsonPatch("Patient/p2", [{ op: "remove", path: "/gender" }]);
    const { status, body } = await transact(putEntry("p2-other"), removal);
    expect(status).toBeGreaterThanOrEqual(400);
    expect(status).toBeLessThan(500);
    expect(body.issue[0].expression[0]).toContain("Bundle.entry[1]");
    expect((await call("GET", "/fhir/Patient/p2-other")).statusCode).toBe(404);
    expect((await transact(jsonPatch("Patient/p2-none", []))).status).toBe(404);
  });
});

describe("conditions", () => {
  test("ifMatch and ifNoneMatch refuse the whole transaction with 412 at their entry", async () => {
    await put("c1");
    const stale = await transact(putEntry("c1-new"), putEntry("c1", { ifMatch: 'W/"7"' }));
    const taken = await transact(putEntry("c1-new"), putEntry("c1", { ifNoneMatch: "*" }));
    expect([stale.status, taken.status]).toEqual([412, 412]);
    expect(stale.body.issue[0].expression).toEqual(["Bundle.entry[1].request.ifMatch"]);
    expect(taken.body.issue[0].expression).toEqual(["Bundle.entry[1].request.ifNoneMatch"]);
    expect((await transact(putEntry("c1", { ifMatch: 'W/"1"' }))).statuses).toEqual(["200 OK"]);
    expect((await call("GET", "/fhir/Patient/c1-new")).statusCode).toBe(404);
  });

  test("conditional creates, updates and deletes act on what their criteria find", async () => {
    await put("c2");
    await put("c3");
    const { statuses, entries } = await transact(
      { ...post(person("c2")), request: { method: "POST", url: "Patient", ifNoneExist: byNumber("c2") } },
      { resource: person("c3", { active: true }), request: { method: "PUT", url: `Patient?${byNumber("c3")}` } },
      { resource: person("c4", { id: "c4" }), request: { method: "PUT", url: `Patient?${byNumber("c4")}` } },
      { request: { method: "DELETE", url: `Patient?${byNumber("c5")}` } },
    );
    expect(statuses).toEqual(["200 OK", "200 OK", "201 Created", "204 No Content"]);
    expect(entries.map((one) => one.response.location && placeOf(one.response.location))).toEqual([
      "Patient/c2",
      "Patient/c3",
      "Patient/c4",
      undefined,
    ]);
    expect((await transact({ request: { method: "DELETE", url: `Patient?${byNumber("c4")}` } })).status).toBe(200);
    expect(await count(`Patient?${byNumber("c4")}`)).toBe(0);
  });

  // https://hl7.org/fhir/R4/http.html#cond-update; 409 for an id that is taken is R5's
  // (https://hl7.org/fhir/R5/http.html#cond-update), R4 is silent.
  test("criteria that find several, find another id, or find none under an id that is taken are refused", async () => {
    await put("c6-1", { identifier: person("c6").identifier });
    await put("c6-2", { identifier: person("c6").identifier });
    const update = (number: string, id: string) =>
      transact({ resource: person(number, { id }), request: { method: "PUT", url: `Patient?${byNumber(number)}` } });
    expect((await update("c6", "c6-1")).status).toBe(412);
    expect((await update("c2", "c2-other")).status).toBe(400);
    expect((await update("c7", "c2")).status).toBe(409);
    expect((await read("Patient/c2")).meta.versionId).toBe("1");
  });
});

describe("all or nothing", () => {
  test("a last entry that fails leaves nothing of the others", async () => {
    await put("n-keep");
    const before = await count("Patient");
    const { status, body } = await transact(
      post(person("n1")),
      putEntry("n-keep", {}, { active: true }),
      { request: { method: "DELETE", url: "Patient/o-put" } },
      post(about("Patient/n-nobody")),
    );
    expect(status).toBe(422);
    expect(body).toMatchObject({ resourceType: "OperationOutcome", issue: [{ severity: "error" }] });
    expect(await count("Patient")).toBe(before);
    expect((await read("Patient/n-keep")).meta.versionId).toBe("1");
    expect((await call("GET", "/fhir/Patient/o-put")).statusCode).toBe(200);
  });

  const urn = "urn:uuid:0b1f6d0c-52a0-4a36-8b2a-6d1f5a3c9e11";
  const criteria = { method: "POST", url: "Patient", ifNoneExist: byNumber("twice") };
  test.each([
    ["the same target", [putEntry("twice"), putEntry("twice")]],
    ["a target that is also deleted", [putEntry("twice"), { request: { method: "DELETE", url: "Patient/twice" } }]],
    ["the same fullUrl", [post(person("twice"), { fullUrl: urn }), post(person("twice"), { fullUrl: urn })]],
    ["the same criteria", Array(2).fill({ resource: person("twice"), request: criteria })],
  ])("two entries with %s are refused with 400", async (_, entries) => {
    expect((await transact(...entries)).status).toBe(400);
    expect(await count(`Patient?${byNumber("twice")}`)).toBe(0);
  });
});
