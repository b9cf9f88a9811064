import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { tokenTerm } from "../../src/fhir/search/token.ts";
import { deleteResource } from "../../src/flows/delete-resource.ts";
import { createResource } from "../../src/flows/write-resource.ts";
import { readInTenant } from "../../src/store/database.ts";
import { readVersion } from "../../src/store/resource.ts";
import { resourcesWithTerms } from "../../src/store/search.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { put } from "../support/service.ts";

let here: TestApp;

beforeAll(async () => {
  here = await testApp("2026-03-10T12:00:00Z");
});

afterAll(() => here.close());

const tags = "http://example.org/codes/tags";
const recordLost = { system: tags, code: "record-lost", display: "Patient File Lost" };

function get(url: string, token = here.token) {
  return here.app.inject({ method: "GET", url, headers: { authorization: `Bearer ${token}` } });
}

function post(url: string, meta: unknown, headers: Record<string, string> = {}) {
  const body = { resourceType: "Parameters", parameter: [{ name: "meta", valueMeta: meta }] };
  return here.app.inject({ method: "POST", url, headers: { ...here.headers, ...headers }, payload: body });
}

/** The Meta of an answered Parameters resource. */
function returned(answer: { json(): unknown }): Record<string, unknown> {
  const { parameter } = answer.json() as { parameter: [{ name: string; valueMeta: Record<string, unknown> }] };
  expect(parameter).toHaveLength(1);
  expect(parameter[0].name).toBe("return");
  return parameter[0].valueMeta;
}

/** How many current resources carry the token under `_tag`, as search reads it. */
async function taggedWith(code: string): Promise<string[]> {
  const atoms = here.service.definitions.parameters("Patient").get("_tag")?.atoms ?? [];
  const terms = atoms.map((atom) => tokenTerm(atom.key, tags, code));
  const found = await readInTenant(here.database, here.tenantId, (session) =>
    resourcesWithTerms(session, [{ type: "Patient", terms }], 10),
  );
  return found.map((one) => one.id);
}

describe("$meta-add and $meta-delete (https://hl7.org/fhir/R4/resource-operation-meta-add.html and -meta-delete.html)", () => {
  test("an added tag is answered in the resulting meta, stands in the resource and is found by search", async () => {
    await put(here, { resourceType: "Patient", id: "example", meta: { profile: ["urn:example:some"] } } as never);
    const answer = await post("/fhir/Patient/example/$meta-add", { tag: [recordLost] });
    expect(answer.statusCode).toBe(200);
    expect(answer.headers["content-type"]).toContain("application/fhir+json");
    expect(returned(answer)).toMatchObject({ profile: ["urn:example:some"], tag: [recordLost] });
    expect(returned(await get("/fhir/Patient/example/$meta"))).toEqual(returned(answer));
    expect(await taggedWith("record-lost")).toEqual(["example"]);
  });

  test("a tag that was deleted is no longer found", async () => {
    const patient = { resourceType: "Patient", id: "gone", meta: { tag: [{ system: tags, code: "going" }] } };
    await put(here, patient as never);
    expect(await taggedWith("going")).toEqual(["gone"]);
    const answer = await post("/fhir/Patient/gone/$meta-delete", { tag: [{ system: tags, code: "going" }] });
    expect(returned(answer)).not.toHaveProperty("tag");
    expect(await taggedWith("going")).toEqual([]);
  });

  // https://hl7.org/fhir/R4/resource.html#Meta: labels "can be updated without changing the stated version"; 4.0.1 asks for
  // neither way. A new version keeps what stood under an ETag (https://hl7.org/fhir/R4/http.html#concurrency).
  test("a change makes a new version, and the version before still tells what it was", async () => {
    await put(here, { resourceType: "Patient", id: "versions" });
    const answer = await post("/fhir/Patient/versions/$meta-add", { security: [{ code: "R" }] });
    expect(answer.headers.etag).toBe('W/"2"');
    expect(returned(answer)).toMatchObject({ versionId: "2", security: [{ code: "R" }] });
    const first = await readInTenant(here.database, here.tenantId, (session) =>
      readVersion(session, "Patient", "versions", 1),
    );
    expect(JSON.parse(first?.body ?? "")).not.toHaveProperty("meta.security");
    expect(returned(await get("/fhir/Patient/versions/_history/1/$meta"))).not.toHaveProperty("security");
  });

  test("adding what is there and deleting what is not change nothing, the version included", async () => {
    const patient = { resourceType: "Patient", id: "same", meta: { tag: [{ system: tags, code: "here" }] } };
    await put(here, patient as never);
    const added = await post("/fhir/Patient/same/$meta-add", {
      tag: [{ system: tags, code: "here", display: "Here" }],
    });
    const removed = await post("/fhir/Patient/same/$meta-delete", { tag: [recordLost] });
    expect([added, removed].map((answer) => [answer.statusCode, answer.headers.etag])).toEqual([
      [200, 'W/"1"'],
      [200, 'W/"1"'],
    ]);
  });

  test("If-Match with another version than the current one answers 412 (https://hl7.org/fhir/R4/http.html#concurrency)", async () => {
    await put(here, { resourceType: "Patient", id: "raced" });
    const taken = await post("/fhir/Patient/raced/$meta-add", { tag: [{ code: "a" }] }, { "if-match": 'W/"1"' });
    const stale = await post("/fhir/Patient/raced/$meta-add", { tag: [{ code: "b" }] }, { "if-match": 'W/"1"' });
    expect([taken.statusCode, stale.statusCode]).toEqual([200, 412]);
    expect(returned(await get("/fhir/Patient/raced/$meta")).tag).toEqual([{ code: "a" }]);
  });

  test("eight tags added at the same time are all there afterwards", async () => {
    await put(here, { resourceType: "Patient", id: "crowd" });
    const codes = ["a", "b", "c", "d", "e", "f", "g", "h"];
    const answers = await Promise.all(
      codes.map((code) => post("/fhir/Patient/crowd/$meta-add", { tag: [{ system: tags, code }] })),
    );
    expect(answers.map((answer) => answer.statusCode)).toEqual(codes.map(() => 200));
    const { tag } = returned(await get("/fhir/Patient/crowd/$meta")) as { tag: { code: string }[] };
    expect(tag.map((one) => one.code).sort()).toEqual(codes);
  });

  test("a decimal of the resource keeps its zeros (https://hl7.org/fhir/R4/datatypes.html#decimal)", async () => {
    const text = `{"resourceType":"Observation","status":"final","code":{"text":"peak cough flow"},"valueQuantity":{"value":180.00}}`;
    const made = await createResource(here.service, here.tenantId, "Observation", text);
    const id = made.ok ? made.value.stored.id : "";
    expect((await post(`/fhir/Observation/${id}/$meta-add`, { tag: [{ code: "x" }] })).statusCode).toBe(200);
    const stored = await readInTenant(here.database, here.tenantId, (session) =>
      readVersion(session, "Observation", id, 2),
    );
    expect(stored?.body).toContain('"value":180.00');
  });

  test.each([
    ["$meta", "GET"],
    ["$meta-add", "POST"],
    ["$meta-delete", "POST"],
  ])(
    "%s of a resource that never was answers 404, of a deleted one 410 (https://hl7.org/fhir/R4/http.html#read)",
    async (operation, method) => {
      await put(here, { resourceType: "Patient", id: `deleted-${operation.slice(1)}` });
      await deleteResource(here.service, here.tenantId, { type: "Patient", id: `deleted-${operation.slice(1)}` });
      const call = (id: string) =>
        method === "GET"
          ? get(`/fhir/Patient/${id}/${operation}`)
          : post(`/fhir/Patient/${id}/${operation}`, { tag: [{ code: "x" }] });
      const answers = [await call("never"), await call(`deleted-${operation.slice(1)}`)];
      expect(answers.map((answer) => answer.statusCode)).toEqual([404, 410]);
      expect(answers.map((answer) => (answer.json() as { resourceType: string }).resourceType)).toEqual([
        "OperationOutcome",
        "OperationOutcome",
      ]);
    },
  );

  test("a resource that is not Parameters is refused with 400 and the reason", async () => {
    await put(here, { resourceType: "Patient", id: "wrong-body" });
    const answer = await here.app.inject({
      method: "POST",
      url: "/fhir/Patient/wrong-body/$meta-add",
      headers: here.headers,
      payload: { resourceType: "Patient" },
    });
    expect([answer.statusCode, answer.json().issue[0].expression]).toEqual([400, ["resourceType"]]);
  });

  test("another tenant's resource is not there", async () => {
    await put(here, { resourceType: "Patient", id: "ours" });
    expect((await get("/fhir/Patient/ours/$meta", here.strangersToken)).statusCode).toBe(404);
  });
});

describe("$meta of a type and of the system (https://hl7.org/fhir/R4/resource-operation-meta.html)", () => {
  test("a type's answer holds its labels in use, each once, and no version", async () => {
    const security = [{ system: "http://terminology.hl7.org/CodeSystem/v3-Confidentiality", code: "R" }];
    const tag = [{ system: tags, code: "ward" }];
    await put(
      here,
      { resourceType: "Device", id: "one", meta: { tag, security, profile: ["urn:example:b"] } } as never,
      { resourceType: "Device", id: "two", meta: { tag, profile: ["urn:example:a", "urn:example:b"] } } as never,
      {
        resourceType: "Organization",
        id: "three",
        name: "Reedmere Clinic",
        meta: { tag: [{ code: "site" }] },
      } as never,
    );
    const expected = { profile: ["urn:example:a", "urn:example:b"], security, tag };
    expect(returned(await get("/fhir/Device/$meta"))).toEqual(expected);
    const system = returned(await get("/fhir/$meta")) as { profile: string[]; tag: unknown[] };
    expect(system.tag).toEqual(expect.arrayContaining([{ code: "site" }, ...tag]));
    expect(system.profile).toEqual(expect.arrayContaining(expected.profile));
    expect(system).not.toHaveProperty("versionId");
  });

  test("labels of deleted resources and of replaced versions are not in use", async () => {
    await put(
      here,
      { resourceType: "Location", id: "closed", meta: { tag: [{ code: "closed" }] } } as never,
      { resourceType: "Location", id: "moved", meta: { tag: [{ code: "old" }] } } as never,
      { resourceType: "Location", id: "moved", meta: { tag: [{ code: "new" }] } } as never,
    );
    await deleteResource(here.service, here.tenantId, { type: "Location", id: "closed" });
    expect(returned(await get("/fhir/Location/$meta"))).toEqual({ tag: [{ code: "new" }] });
  });

  test("where no label is in use the answer has no parameter", async () => {
    expect((await get("/fhir/Questionnaire/$meta")).json()).toEqual({ resourceType: "Parameters" });
    expect((await get("/fhir/$meta", here.strangersToken)).json()).toEqual({ resourceType: "Parameters" });
  });
});
