import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../src/fhir/definitions.ts";
import { type HistoryVersion, historyText } from "../../src/fhir/history-bundle.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: ["Patient"] });
});

const baseUrl = "https://tidegate.example/fhir";
const links = [{ relation: "self", url: `${baseUrl}/Patient/anna/_history` }];

/** Bundle itself cannot be switched on as a type to store; its shape and rules are still R4's. */
function findings(text: string) {
  return checkResource({ ...definitions, has: () => true }, JSON.parse(text));
}

function version(number: number, kind: "written" | "deleted" | "recreated" = "written"): HistoryVersion {
  return {
    type: "Patient",
    id: "anna",
    version: number,
    lastUpdatedMs: Date.UTC(2026, 2, number),
    deleted: kind === "deleted",
    afterDeletion: kind === "recreated",
    body:
      kind === "deleted"
        ? '{"resourceType":"Patient","id":"anna"}'
        : `{"resourceType":"Patient","id":"anna","meta":{"versionId":"${number}"},"active":true}`,
  };
}

const whole = [version(4, "recreated"), version(3, "deleted"), version(2), version(1)];

// https://hl7.org/fhir/R4/http.html#history, on what request and response say of each interaction, and
// https://hl7.org/fhir/R4/http.html#create, #update, #delete on their status.
test("each entry tells the interaction that made its version and how it was answered", () => {
  const { entry } = JSON.parse(historyText({ baseUrl, versions: whole, links, total: 4 }));
  expect(
    entry.map((one: { request: object; response: { status: string } }) => [one.request, one.response.status]),
  ).toEqual([
    [{ method: "PUT", url: "Patient/anna" }, "201 Created"],
    [{ method: "DELETE", url: "Patient/anna" }, "204 No Content"],
    [{ method: "PUT", url: "Patient/anna" }, "200 OK"],
    [{ method: "POST", url: "Patient" }, "201 Created"],
  ]);
});

// https://hl7.org/fhir/R4/bundle-definitions.html#Bundle.entry.response: etag and lastModified of the version.
test("each entry has the etag and the time of its version", () => {
  const { entry } = JSON.parse(historyText({ baseUrl, versions: whole, links }));
  expect(entry[1].response).toEqual({
    status: "204 No Content",
    etag: 'W/"3"',
    lastModified: "2026-03-03T00:00:00.000Z",
  });
});

// https://hl7.org/fhir/R4/http.html#history: an entry of a PUT or POST has a resource, that of a DELETE none.
test("a deletion has no resource and every other version has its own", () => {
  const { entry } = JSON.parse(historyText({ baseUrl, versions: whole, links }));
  expect(entry.map((one: { resource?: { meta: { versionId: string } } }) => one.resource?.meta.versionId)).toEqual([
    "4",
    undefined,
    "2",
    "1",
  ]);
});

// https://hl7.org/fhir/R4/bundle.html#invs, bdl-8: fullUrl cannot be a version specific reference.
test("the address of an entry is that of the resource and of no version", () => {
  const { entry } = JSON.parse(historyText({ baseUrl, versions: whole, links }));
  expect(new Set(entry.map((one: { fullUrl: string }) => one.fullUrl))).toEqual(new Set([`${baseUrl}/Patient/anna`]));
});

// https://hl7.org/fhir/R4/bundle.html#invs, bdl-1 to bdl-11, as the official StructureDefinition has them.
test("a history keeps the rules of R4 for bundles, with and without entries", () => {
  expect(findings(historyText({ baseUrl, versions: whole, links, total: 4 }))).toEqual([]);
  expect(findings(historyText({ baseUrl, versions: [], links, total: 0 }))).toEqual([]);
});

test("an entry without its request or its response would break those rules (bdl-3, bdl-4)", () => {
  for (const member of ["request", "response"]) {
    const bundle = JSON.parse(historyText({ baseUrl, versions: [version(1)], links }));
    delete bundle.entry[0][member];
    expect(findings(JSON.stringify(bundle))).not.toEqual([]);
  }
});

// https://hl7.org/fhir/R4/datatypes.html#decimal: the precision of a decimal is kept.
test("bodies are passed through byte for byte", () => {
  const body = '{"resourceType":"Observation","id":"a","valueQuantity":{"value":1.50}}';
  const text = historyText({ baseUrl, versions: [{ ...version(1), type: "Observation", id: "a", body }], links });
  expect(text).toContain(`"resource":${body},`);
});

test("a history without entries has no empty list, and a total that was not counted is left out", () => {
  const bundle = JSON.parse(historyText({ baseUrl, versions: [], links }));
  expect(bundle).toEqual({ resourceType: "Bundle", type: "history", link: links });
});
