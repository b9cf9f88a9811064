import { beforeAll, expect, test } from "vitest";
import { bundleResponseText, searchsetText } from "../../src/fhir/bundle.ts";
import { createDefinitions, type Definitions } from "../../src/fhir/definitions.ts";
import { issueOf } from "../../src/fhir/outcome.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: ["Patient"] });
});

const base = "https://tidegate.example/fhir";

/** The shape of a Bundle is R4's, whether or not the type is switched on to store. */
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

// https://hl7.org/fhir/R4/json.html: "an array can't be empty".
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

// https://hl7.org/fhir/R4/http.html#transaction-response
test("the answer has one entry for each sent, with status, place, version, resource and outcome", () => {
  const outcome = {
    resourceType: "OperationOutcome",
    issue: [issueOf({ kind: "not-found", detail: "none" }, "error")],
  };
  const text = bundleResponseText("transaction-response", [
    {
      status: "201 Created",
      location: `${base}/Patient/1/_history/1`,
      etag: 'W/"1"',
      lastModified: "2026-01-01T00:00:00.000Z",
    },
    { status: "204 No Content" },
    { status: "200 OK", body: body("9") },
    { status: "404 Not Found", outcome: JSON.stringify(outcome) },
  ]);
  expect(text).toContain(body("9"));
  expect(JSON.parse(text)).toEqual({
    resourceType: "Bundle",
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
      { response: { status: "200 OK" }, resource: JSON.parse(body("9")) },
      { response: { status: "404 Not Found", outcome } },
    ],
  });
  expect(shapeErrors(text)).toEqual([]);
});

test("a batch without entries is answered by a batch-response without entries", () => {
  const text = bundleResponseText("batch-response", []);
  expect(JSON.parse(text)).toEqual({ resourceType: "Bundle", type: "batch-response" });
  expect(shapeErrors(text)).toEqual([]);
});
