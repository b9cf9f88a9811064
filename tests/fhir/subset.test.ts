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
