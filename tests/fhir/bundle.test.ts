import { beforeAll, expect, test } from "vitest";
import {
  readTransaction,
  searchsetText,
  transactionResponseText,
  withResolvedReferences,
} from "../../src/fhir/bundle.ts";
import { createDefinitions, type Definitions } from "../../src/fhir/definitions.ts";
import { readJson, stampedJson } from "../../src/fhir/json.ts";
import { issueOf } from "../../src/fhir/outcome.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: ["Patient"] });
});

const base = "https://tidegate.example/fhir";

/** Bundle itself cannot be switched on as a type to store; its shape is still R4's. */
function shapeErrors(text: string) {
  return checkResource({ ...definitions, has: () => true }, JSON.parse(text));
}

const body = (id: string) => `{"resourceType":"Patient","id":"${id}","active":true,"multipleBirthInteger":2}`;

// https://hl7.org/fhir/R4/bundle.html#searchset and https://hl7.org/fhir/R4/search.html#response
test("a searchset passes stored bodies through with their address and why they are there", () => {
  const text = searchsetText({
    baseUrl: base,
    matches: [{ type: "Patient", id: "a", body: body("a") }],
    included: [{ type: "Patient", id: "b", body: body("b") }],
    links: [{ relation: "self", url: `${base}/Patient?active=true` }],
    total: 1,
    outcome: {
      resourceType: "OperationOutcome",
      issue: [issueOf({ kind: "not-supported", detail: "colour was ignored" }, "warning")],
    },
  });
  expect(text).toContain(body("a"));
  expect(JSON.parse(text)).toMatchObject({
    type: "searchset",
    total: 1,
    entry: [
      { fullUrl: `${base}/Patient/a`, search: { mode: "match" } },
      { fullUrl: `${base}/Patient/b`, search: { mode: "include" } },
      { resource: { resourceType: "OperationOutcome" }, search: { mode: "outcome" } },
    ],
  });
  expect(shapeErrors(text)).toEqual([]);
});

test("an empty searchset has no entries and no empty list", () => {
  const text = searchsetText({
    baseUrl: base,
    matches: [],
    included: [],
    links: [{ relation: "self", url: `${base}/Patient` }],
  });
  expect(JSON.parse(text)).not.toHaveProperty("entry");
  expect(shapeErrors(text)).toEqual([]);
});

function transaction(...entry: object[]) {
  const bundle = { resourceType: "Bundle", type: "transaction", entry };
  return readTransaction(bundle, bundle);
}

const post = {
  fullUrl: "urn:uuid:05efabf0-4be2-4561-91ce-51548425acb9",
  resource: { resourceType: "Patient", active: true },
  request: { method: "POST", url: "Patient", ifNoneExist: "identifier=urn:x|1" },
};

// https://hl7.org/fhir/R4/http.html#transaction
test("the entries of a transaction are read with method, target, condition and version", () => {
  const read = transaction(
    post,
    {
      resource: { resourceType: "Patient", id: "7" },
      request: { method: "PUT", url: "Patient/7", ifMatch: 'W/"3"' },
    },
    { request: { method: "DELETE", url: "Patient/8" } },
    { request: { method: "GET", url: "Patient/9" } },
  );
  expect(read).toMatchObject({
    ok: true,
    value: [
      { at: "Bundle.entry[0]", method: "POST", type: "Patient", id: "", ifNoneExist: "identifier=urn:x|1" },
      { method: "PUT", id: "7", ifVersion: 3 },
      { method: "DELETE", id: "8" },
      { method: "GET", id: "9" },
    ],
  });
});

test("an If-Match that is no version of ours matches none", () => {
  expect(
    transaction({
      resource: { resourceType: "Patient", id: "7" },
      request: { method: "PUT", url: "Patient/7", ifMatch: 'W/"latest"' },
    }),
  ).toMatchObject({ value: [{ ifVersion: -1 }] });
});

test.each([
  ["no request", { resource: { resourceType: "Patient" } }, "Bundle.entry[0].request"],
  ["a method that changes a part", { request: { method: "PATCH", url: "Patient/1" } }, "Bundle.entry[0].request"],
  ["a create without a resource", { request: { method: "POST", url: "Patient" } }, "Bundle.entry[0].resource"],
  ["a resource that is a text", { ...post, resource: "Patient" }, "Bundle.entry[0].resource"],
  ["a resource that is null", { ...post, resource: null }, "Bundle.entry[0].resource"],
  [
    "a delete with a resource",
    { ...post, request: { method: "DELETE", url: "Patient/1" } },
    "Bundle.entry[0].resource",
  ],
  ["a create at an id", { ...post, request: { method: "POST", url: "Patient/1" } }, "Bundle.entry[0].request.url"],
  ["a search", { request: { method: "GET", url: "Patient?name=a" } }, "Bundle.entry[0].request.url"],
])("an entry with %s is refused where it stands", (_, entry, at) => {
  expect(transaction(entry)).toMatchObject({ ok: false, refusals: [{ at }] });
});

test("a batch, another resource and more than a thousand entries are refused", () => {
  expect(readTransaction({ resourceType: "Bundle", type: "batch" }, {}).ok).toBe(false);
  expect(readTransaction({ resourceType: "Patient" }, {}).ok).toBe(false);
  expect(transaction(...Array.from({ length: 1_001 }, () => post))).toMatchObject({
    refusals: [{ kind: "too-costly", status: 413 }],
  });
});

const urn = "urn:uuid:05efabf0-4be2-4561-91ce-51548425acb9";
const resolved = new Map([[urn, "Patient/1"]]);

// https://hl7.org/fhir/R4/http.html#trules: Reference.reference, elements of type uri and url, and <a href> and <img src>
// in the narrative.
test("references, links and the narrative name the id that was given", () => {
  const resource = {
    resourceType: "Observation",
    subject: { reference: urn },
    valueUri: urn,
    text: { div: `<div>see <a href="${urn}">her</a> <img src='${urn}'/> ${urn}</div>` },
  };
  expect(withResolvedReferences(resource, resolved)).toEqual({
    resourceType: "Observation",
    subject: { reference: "Patient/1" },
    valueUri: "Patient/1",
    text: { div: `<div>see <a href="Patient/1">her</a> <img src='Patient/1'/> ${urn}</div>` },
  });
});

test("an identifier of the same text is no link and stays", () => {
  const resource = { identifier: [{ system: "urn:ietf:rfc:3986", value: urn }], note: [{ text: `about ${urn}` }] };
  expect(withResolvedReferences(resource, resolved)).toEqual(resource);
});

test("numbers keep their written form when links are resolved", () => {
  const read = readJson(
    `{"resourceType":"Observation","subject":{"reference":"${urn}"},"valueQuantity":{"value":1.50}}`,
  );
  if (!read.ok) throw new Error("not read");
  const text = stampedJson(withResolvedReferences(read.value.exact, resolved), {
    id: "o",
    versionId: "1",
    lastUpdated: "2026-01-01T00:00:00Z",
  });
  expect(text).toContain('"value":1.50');
  expect(text).toContain('"reference":"Patient/1"');
});

// https://hl7.org/fhir/R4/http.html#transaction-response
test("the answer has one entry for each sent, with status, place and version", () => {
  const text = transactionResponseText(base, [
    { status: "201 Created", type: "Patient", id: "1", version: 1, lastUpdatedMs: Date.UTC(2026, 0, 1) },
    { status: "204 No Content", type: "Patient", id: "8" },
    { status: "200 OK", type: "Patient", id: "9", version: 2, lastUpdatedMs: 0, body: body("9") },
  ]);
  expect(JSON.parse(text)).toMatchObject({
    type: "transaction-response",
    entry: [
      {
        response: {
          status: "201 Created",
          location: `${base}/Patient/1/_history/1`,
          etag: 'W/"1"',
          lastModified: "2026-01-01T00:00:00.000Z",
        },
      },
      { response: { status: "204 No Content" } },
      { resource: { id: "9" } },
    ],
  });
  expect(shapeErrors(text)).toEqual([]);
});
