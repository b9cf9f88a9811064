import { beforeAll, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { subsetText } from "../../src/fhir/subset.ts";

beforeAll(() => {
  createDefinitions({ types: "default" });
});

const body = JSON.stringify({
  resourceType: "Observation",
  id: "o1",
  meta: { versionId: "1", tag: [{ code: "mine" }] },
  text: { status: "generated", div: "<div>a</div>" },
  status: "final",
  code: { text: "flow" },
  valueQuantity: { value: 240 },
  note: [{ text: "loud" }],
});

const members = (text: string) =>
  Object.keys(JSON.parse(text) as object).filter((name) => !["resourceType", "id", "meta"].includes(name));

// The values of https://hl7.org/fhir/R4/search.html#summary; which elements are in the summary is marked Σ in
// https://hl7.org/fhir/R4/observation.html: status, code and value are, text and note are not.
test.each([
  ["true", ["status", "code", "valueQuantity"]],
  ["text", ["text", "status", "code"]],
  ["data", ["status", "code", "valueQuantity", "note"]],
] as const)("_summary=%s keeps %o", (summary, expected) => {
  expect(members(subsetText(body, { summary })).sort()).toEqual([...expected].sort());
});

// https://hl7.org/fhir/R4/search.html#elements: mandatory elements are always returned.
test("_elements keeps what is named and what is mandatory, a choice by its plain name", () => {
  expect(members(subsetText(body, { elements: ["note"] })).sort()).toEqual(["code", "note", "status"]);
  expect(members(subsetText(body, { elements: ["value"] })).sort()).toEqual(["code", "status", "valueQuantity"]);
});

// Both pages: "SHOULD mark the resource with the tag SUBSETTED".
test("what was cut is tagged, beside the tags that were there", () => {
  const cut = JSON.parse(subsetText(body, { summary: "true" })) as { meta: { tag: object[]; versionId: string } };
  expect(cut.meta.versionId).toBe("1");
  expect(cut.meta.tag).toEqual([
    { code: "mine" },
    expect.objectContaining({
      system: "http://terminology.hl7.org/CodeSystem/v3-ObservationValue",
      code: "SUBSETTED",
    }),
  ]);
});

test("numbers keep their written form", () => {
  expect(subsetText(body.replace("240", "240.0"), { summary: "true" })).toContain('"value":240.0');
});

test("the whole is passed through as it is", () => {
  expect(subsetText(body, {})).toBe(body);
  expect(subsetText(body, { summary: "false" })).toBe(body);
});

type Json = Record<string, never>;
const cut = (resource: object, wanted: Parameters<typeof subsetText>[1]) =>
  JSON.parse(subsetText(JSON.stringify(resource), wanted)) as Json & { meta: unknown };

// Σ is marked element by element, also within elements: https://hl7.org/fhir/R4/observation.html (component: code and
// value are, interpretation is not), https://hl7.org/fhir/R4/datatypes.html#Attachment (all but data).
test("a summary leaves out what is not Σ within an element too", () => {
  const { component } = cut(
    {
      resourceType: "Observation",
      status: "final",
      code: { text: "pressures", id: "c", extension: [{ url: "urn:x", valueString: "y" }] },
      component: [
        { id: "k", code: { text: "peak" }, valueQuantity: { value: 40 }, interpretation: [{ text: "high" }] },
        { code: { text: "flow" }, dataAbsentReason: { text: "not asked" } },
      ],
    },
    { summary: "true" },
  );
  expect(component).toEqual([{ code: { text: "peak" }, valueQuantity: { value: 40 } }, { code: { text: "flow" } }]);
});

test("a summary names a document and leaves out its bytes", () => {
  const { content } = cut(
    {
      resourceType: "DocumentReference",
      status: "current",
      content: [{ attachment: { contentType: "text/plain", data: "QUFB", title: "a" } }],
    },
    { summary: "true" },
  );
  expect(content).toEqual([{ attachment: { contentType: "text/plain", title: "a" } }]);
});

test("within what is mandatory a summary keeps what is mandatory, so that it stays valid", () => {
  const { agent } = cut(
    {
      resourceType: "Provenance",
      target: [{ reference: "Patient/p" }],
      recorded: "2026-03-01T10:00:00Z",
      agent: [{ role: [{ text: "author" }], who: { reference: "Device/d" } }],
    },
    { summary: "true" },
  );
  expect(agent).toEqual([{ who: { reference: "Device/d" } }]);
});

// https://hl7.org/fhir/R4/json.html#primitive: an extension of a primitive stands in a member of its own beside it.
test("what an extension says of a primitive goes with the primitive", () => {
  const absent = [{ url: "http://hl7.org/fhir/StructureDefinition/data-absent-reason", valueCode: "unknown" }];
  const patient = { resourceType: "Patient", _birthDate: { extension: absent }, name: [{ given: [null, "A"] }] };
  expect(cut(patient, { summary: "true" })).toMatchObject({ _birthDate: { extension: absent }, name: patient.name });
  expect(cut(patient, { elements: ["birthDate"] })).toMatchObject({ _birthDate: { extension: absent } });
});

// https://hl7.org/fhir/R4/extensibility.html#modifierExtension: who does not see it would read the rest wrongly.
test("elements that change the meaning of others are kept", () => {
  const dead = {
    resourceType: "Patient",
    active: false,
    deceasedBoolean: true,
    modifierExtension: [{ url: "urn:not-a-patient", valueBoolean: true }],
    gender: "female",
    photo: [{ title: "x" }],
  };
  const { meta: _, ...summary } = cut(dead, { summary: "true" });
  const { photo: _photo, ...kept } = dead;
  expect(summary).toEqual(kept);
  expect(Object.keys(cut(dead, { elements: ["photo"] }))).toEqual(
    expect.arrayContaining(["active", "deceasedBoolean", "modifierExtension", "photo"]),
  );
});

// https://hl7.org/fhir/R4/search.html#summary, value text: text, id, meta and mandatory top-level elements alone.
test("the narrative alone is the narrative and what is mandatory", () => {
  const patient = { resourceType: "Patient", id: "p", text: { status: "empty" }, active: false, gender: "male" };
  expect(Object.keys(cut(patient, { summary: "text" })).sort()).toEqual(["id", "meta", "resourceType", "text"]);
});

// https://hl7.org/fhir/R4/search.html#elements: base element names.
test("an element may be named for one type, and names of other types leave a resource whole", () => {
  const patient = { resourceType: "Patient", id: "p", name: [{ family: "Alder" }], gender: "male" };
  expect(Object.keys(cut(patient, { elements: ["Patient.name", "Observation.code"] }))).not.toContain("gender");
  expect(cut(patient, { elements: ["Observation.code"] })).toEqual(patient);
  expect(cut(patient, { elements: ["name.given"] })).toMatchObject({ name: [{ family: "Alder" }] });
});

test("a resource within a Bundle is summarised by its own type", () => {
  const photo = [{ title: "x" }];
  const bundle = {
    resourceType: "Bundle",
    type: "collection",
    entry: [{ resource: { resourceType: "Patient", photo, active: true } }],
  };
  expect(cut(bundle, { summary: "true" })).toMatchObject({
    entry: [{ resource: { resourceType: "Patient", active: true } }],
  });
  expect(JSON.stringify(cut(bundle, { summary: "true" }))).not.toContain("photo");
});
