import { expect, test } from "vitest";
import { readJson, stampedJson } from "../../src/fhir/json.ts";
import { restfulUrl, withResolvedReferences } from "../../src/fhir/resolved-references.ts";

const urn = "urn:uuid:05efabf0-4be2-4561-91ce-51548425acb9";
const resolve = (link: string) => (link === urn || link === "Patient?identifier=urn:x|1" ? "Patient/1" : undefined);

// https://hl7.org/fhir/R4/http.html#trules: Reference.reference, elements of type uri and url, and <a href> and <img src>
// in the narrative.
test("references, links and the narrative name the id that was given", () => {
  const resource = {
    resourceType: "Observation",
    subject: { reference: urn },
    performer: [{ reference: "Patient?identifier=urn:x|1" }, { reference: "Patient/9" }],
    valueUri: urn,
    text: {
      div: `<div>see <a href="${urn}">her</a> <img src='${urn}'/> <a href="https://a.example/">x</a> ${urn}</div>`,
    },
  };
  expect(withResolvedReferences(resource, resolve)).toEqual({
    resourceType: "Observation",
    subject: { reference: "Patient/1" },
    performer: [{ reference: "Patient/1" }, { reference: "Patient/9" }],
    valueUri: "Patient/1",
    text: {
      div: `<div>see <a href="Patient/1">her</a> <img src='Patient/1'/> <a href="https://a.example/">x</a> ${urn}</div>`,
    },
  });
});

// Identifier.value is a string and no link (https://hl7.org/fhir/R4/datatypes.html#Identifier).
test("an identifier of the same text is no link and stays", () => {
  const resource = { identifier: [{ system: "urn:ietf:rfc:3986", value: urn }], note: [{ text: `about ${urn}` }] };
  expect(withResolvedReferences(resource, resolve)).toEqual(resource);
});

test("the resource that was given is left as it is", () => {
  const resource = { subject: { reference: urn } };
  withResolvedReferences(resource, resolve);
  expect(resource.subject.reference).toBe(urn);
});

// https://hl7.org/fhir/R4/json.html#decimal
test("numbers keep their written form when links are resolved", () => {
  const read = readJson(
    `{"resourceType":"Observation","subject":{"reference":"${urn}"},"valueQuantity":{"value":1.50}}`,
  );
  if (!read.ok) throw new Error("not read");
  const text = stampedJson(withResolvedReferences(read.value.exact, resolve), {
    id: "o",
    versionId: "1",
    lastUpdated: "2026-01-01T00:00:00Z",
  });
  expect(text).toContain('"value":1.50');
  expect(text).toContain('"reference":"Patient/1"');
});

// https://hl7.org/fhir/R4/bundle.html#references: a relative reference lies beside a RESTful fullUrl.
test("a RESTful address is split into its base and the rest, a urn has none", () => {
  expect(restfulUrl("https://a.example/fhir/Patient/1")).toEqual({
    base: "https://a.example/fhir",
    reference: "Patient/1",
  });
  expect(restfulUrl(urn)).toBeUndefined();
  expect(restfulUrl("https://a.example/fhir/patient/1")).toBeUndefined();
  expect(restfulUrl("Patient/1")).toBeUndefined();
});
