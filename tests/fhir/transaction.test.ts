import { describe, expect, test } from "vitest";
import { bundleType, entriesOf, readEntries } from "../../src/fhir/transaction.ts";

function read(...entry: unknown[]) {
  const bundle = { resourceType: "Bundle", type: "transaction", entry };
  return readEntries(bundle, bundle, 1_000);
}

const post = {
  fullUrl: "urn:uuid:05efabf0-4be2-4561-91ce-51548425acb9",
  resource: { resourceType: "Patient", active: true },
  request: { method: "POST", url: "Patient", ifNoneExist: "identifier=urn:x|1" },
};
const patient = { resourceType: "Patient", id: "7" };

// https://hl7.org/fhir/R4/bundle.html#Bundle.entry.request and https://hl7.org/fhir/R4/http.html#transaction
describe("readEntries", () => {
  test("reads method, target, condition and version of each entry", () => {
    expect(
      read(
        post,
        { resource: patient, request: { method: "PUT", url: "Patient/7", ifMatch: 'W/"3"' } },
        { resource: patient, request: { method: "PUT", url: "Patient/7", ifNoneMatch: "*" } },
        { request: { method: "DELETE", url: "Patient/8" } },
        { request: { method: "GET", url: "Patient/9/_history/4" } },
      ),
    ).toMatchObject({
      ok: true,
      value: [
        { at: "Bundle.entry[0]", method: "POST", type: "Patient", id: "", ifNoneExist: "identifier=urn:x|1" },
        { method: "PUT", id: "7", ifVersion: 3 },
        { method: "PUT", id: "7", ifAbsent: true },
        { method: "DELETE", id: "8" },
        { at: "Bundle.entry[4]", method: "GET", id: "9", version: 4 },
      ],
    });
  });

  test("reads the criteria of conditional entries and of a search, empty ones too", () => {
    expect(
      read(
        { resource: patient, request: { method: "PUT", url: "Patient?identifier=urn:x|1" } },
        { request: { method: "DELETE", url: "Patient?active=true" } },
        { request: { method: "GET", url: "Patient?name=a" } },
        { request: { method: "HEAD", url: "/Patient" } },
      ),
    ).toMatchObject({
      value: [
        { id: "", criteria: "identifier=urn:x|1" },
        { id: "", criteria: "active=true" },
        { id: "", criteria: "name=a" },
        { method: "HEAD", type: "Patient", criteria: "" },
      ],
    });
  });

  test("drops the question mark before the criteria of If-None-Exist", () => {
    const request = { ...post.request, ifNoneExist: "?identifier=urn:x|1" };
    expect(read({ ...post, request })).toMatchObject({ value: [{ ifNoneExist: "identifier=urn:x|1" }] });
  });

  test("an If-Match that is no version of ours matches none", () => {
    expect(
      read({ resource: patient, request: { method: "PUT", url: "Patient/7", ifMatch: 'W/"latest"' } }),
    ).toMatchObject({ value: [{ ifVersion: -1 }] });
  });

  // https://hl7.org/fhir/R4/http.html#patch: a JSON Patch is a Binary, a FHIRPath Patch is Parameters.
  test("unpacks a JSON Patch out of its Binary and takes Parameters as they are", () => {
    const patch = '[{"op":"remove","path":"/active"}]';
    const binary = {
      resourceType: "Binary",
      contentType: "application/json-patch+json",
      data: Buffer.from(patch).toString("base64"),
    };
    const parameters = { resourceType: "Parameters", parameter: [{ name: "operation" }] };
    const request = { method: "PATCH", url: "Patient/7" };
    expect(read({ resource: binary, request }, { resource: parameters, request })).toMatchObject({
      value: [
        { patch: { contentType: "application/json-patch+json", text: patch } },
        { patch: { contentType: "application/fhir+json", text: JSON.stringify(parameters) } },
      ],
    });
  });

  const binary = (data: unknown) => ({
    resource: { resourceType: "Binary", contentType: "application/json-patch+json", data },
    request: { method: "PATCH", url: "Patient/1" },
  });
  const put = (conditions: object) => ({
    resource: patient,
    request: { method: "PUT", url: "Patient/7", ...conditions },
  });
  const remove = { method: "DELETE", url: "Patient/7" };
  test.each([
    ["that is null", null, "request"],
    ["without a request", { resource: { resourceType: "Patient" } }, "request"],
    ["with a method that is none", { request: { method: "TRACE", url: "Patient/1" } }, "request"],
    ["without a url", { request: { method: "GET" } }, "request.url"],
    ["whose url is a number", { request: { method: "GET", url: 7 } }, "request.url"],
    ["without the resource of a create", { request: { method: "POST", url: "Patient" } }, "resource"],
    ["whose resource is a text", { ...post, resource: "Patient" }, "resource"],
    ["whose resource is null", { ...post, resource: null }, "resource"],
    ["whose resource is a list", { ...post, resource: [patient] }, "resource"],
    ["that deletes with a resource", { ...post, request: { method: "DELETE", url: "Patient/1" } }, "resource"],
    ["that creates at an id", { ...post, request: { method: "POST", url: "Patient/1" } }, "request.url"],
    ["that calls an operation", { ...post, request: { method: "POST", url: "Patient/$validate" } }, "request.url"],
    ["that updates neither an id nor criteria", { ...post, request: { method: "PUT", url: "Patient" } }, "request.url"],
    ["that updates an id and criteria", { ...post, request: { method: "PUT", url: "Patient/1?a=b" } }, "request.url"],
    ["that deletes a version", { request: { method: "DELETE", url: "Patient/1/_history/1" } }, "request.url"],
    ["with an absolute url", { request: { method: "GET", url: "https://other.example/Patient/1" } }, "request.url"],
    ["with a url that climbs", { request: { method: "GET", url: "../api/patients" } }, "request.url"],
    ["that updates unless a version is there", put({ ifNoneMatch: 'W/"1"' }), "request.ifNoneMatch"],
    ["that updates where nothing else exists", put({ ifNoneExist: "active=true" }), "request.ifNoneExist"],
    ["that deletes what is not there", { request: { ...remove, ifNoneMatch: "*" } }, "request.ifNoneMatch"],
    ["that creates over a version", { ...post, request: { ...post.request, ifMatch: 'W/"1"' } }, "request.ifMatch"],
    ["that patches with another resource", { resource: patient, request: binary("").request }, "resource"],
    ["whose patch is no base64", binary("%%%"), "resource"],
    ["whose patch is no UTF-8", binary("/w=="), "resource"],
  ])("refuses an entry %s where it stands", (_, entry, where) => {
    expect(read(entry)).toMatchObject({ ok: false, refusals: [{ at: `Bundle.entry[0].${where}`, status: 400 }] });
  });

  test("names every entry that is refused, not the first alone", () => {
    const answer = read({ request: { method: "GET" } }, post, null);
    expect(answer).toMatchObject({
      ok: false,
      refusals: [{ at: "Bundle.entry[0].request.url" }, { at: "Bundle.entry[2].request" }],
    });
  });
});

// The bound is this service's own; 413 for it is RFC 9110, 15.5.14.
test("more entries than the bound, and entries that are no list, are refused", () => {
  expect(entriesOf({ entry: [1, 2, 3] }, 2)).toMatchObject({ refusals: [{ kind: "too-costly", status: 413 }] });
  expect(entriesOf({ entry: [1, 2] }, 2)).toEqual({ ok: true, value: [1, 2] });
  expect(entriesOf({ entry: {} }, 2)).toMatchObject({ refusals: [{ at: "Bundle.entry", status: 400 }] });
  expect(entriesOf({}, 2)).toEqual({ ok: true, value: [] });
});

// https://hl7.org/fhir/R4/http.html#transaction: the base address takes a Bundle of type batch or transaction.
test("the base address takes a transaction and a batch, no other Bundle and no other resource", () => {
  expect(bundleType({ resourceType: "Bundle", type: "batch" })).toEqual({ ok: true, value: "batch" });
  expect(bundleType({ resourceType: "Bundle", type: "transaction" })).toEqual({ ok: true, value: "transaction" });
  expect(bundleType({ resourceType: "Bundle", type: "document" })).toMatchObject({ refusals: [{ at: "Bundle.type" }] });
  expect(bundleType({ resourceType: "Bundle" })).toMatchObject({ refusals: [{ at: "Bundle.type", status: 400 }] });
  expect(bundleType({ resourceType: "Patient", type: "batch" })).toMatchObject({ refusals: [{ at: "resourceType" }] });
});
