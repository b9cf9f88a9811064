import { expect, test } from "vitest";
import { codesOf } from "../../../src/fhir/terminology/value-set-codes.ts";

const r4 = (name: string) => `http://hl7.org/fhir/ValueSet/${name}`;
const sizes = (url: string) =>
  Object.fromEntries([...(codesOf(url) ?? [])].map(([system, codes]) => [system, codes.size]));

// Counts of the rows on each page https://hl7.org/fhir/R4/valueset-[name].html.
test.each([
  ["administrative-gender", "http://hl7.org/fhir/administrative-gender", 4],
  ["observation-status", "http://hl7.org/fhir/observation-status", 8],
  ["encounter-status", "http://hl7.org/fhir/encounter-status", 9],
  ["narrative-status", "http://hl7.org/fhir/narrative-status", 4],
  ["quantity-comparator", "http://hl7.org/fhir/quantity-comparator", 4],
  ["days-of-week", "http://hl7.org/fhir/days-of-week", 7],
  ["bundle-type", "http://hl7.org/fhir/bundle-type", 9],
  ["resource-types", "http://hl7.org/fhir/resource-types", 148],
] as const)("R4's %s has the codes of its page", (name, system, count) => {
  expect(sizes(r4(name))).toEqual({ [system]: count });
});

test("administrative gender holds its four codes with their displays, in the order of the page", () => {
  // https://hl7.org/fhir/R4/valueset-administrative-gender.html
  expect([...(codesOf(r4("administrative-gender"))?.get("http://hl7.org/fhir/administrative-gender") ?? [])]).toEqual([
    ["male", "Male"],
    ["female", "Female"],
    ["other", "Other"],
    ["unknown", "Unknown"],
  ]);
});

test("the version behind a bar is ignored, as bindings name one", () => {
  expect(codesOf(`${r4("observation-status")}|4.0.1`)).toBe(codesOf(r4("observation-status")));
});

test("codes nested under others are codes too", () => {
  // https://hl7.org/fhir/R4/valueset-issue-type.html: `required` stands under `invalid`.
  const issueTypes = codesOf(r4("issue-type"))?.get("http://hl7.org/fhir/issue-type");
  expect(issueTypes?.has("invalid")).toBe(true);
  expect(issueTypes?.get("required")).toBe("Required element missing");
});

test("event timing joins two systems", () => {
  // https://hl7.org/fhir/R4/valueset-event-timing.html includes its own system and v3 TimingEvent.
  const timing = codesOf(r4("event-timing"));
  expect(timing?.get("http://hl7.org/fhir/event-timing")?.has("MORN.early")).toBe(true);
  expect(timing?.get("http://terminology.hl7.org/CodeSystem/v3-TimingEvent")?.has("ACM")).toBe(true);
});

test("an encounter's class is what stands under one concept of v3 ActCode", () => {
  // https://hl7.org/fhir/R4/v3/ActEncounterCode/vs.html
  const classes = codesOf("http://terminology.hl7.org/ValueSet/v3-ActEncounterCode");
  const codes = classes?.get("http://terminology.hl7.org/CodeSystem/v3-ActCode");
  expect(
    ["AMB", "EMER", "FLD", "HH", "IMP", "ACUTE", "NONAC", "OBSENC", "PRENC", "SS", "VR"].every((one) =>
      codes?.has(one),
    ),
  ).toBe(true);
  expect(codes?.has("HTEST")).toBe(false);
});

test("a value set of value sets has the codes of each", () => {
  // https://hl7.org/fhir/R4/valueset-all-types.html
  expect(Object.keys(sizes(r4("all-types"))).sort()).toEqual([
    "http://hl7.org/fhir/abstract-types",
    "http://hl7.org/fhir/data-types",
    "http://hl7.org/fhir/resource-types",
  ]);
});

test("a table of HL7 v2 is held as well", () => {
  // https://hl7.org/fhir/R4/v2/0203/index.html
  expect(
    codesOf("http://terminology.hl7.org/ValueSet/v2-0203")
      ?.get("http://terminology.hl7.org/CodeSystem/v2-0203")
      ?.get("MR"),
  ).toBe("Medical record number");
});

test("codes of other systems that a value set lists are known without the system", () => {
  // https://hl7.org/fhir/R4/valueset-languages.html lists common languages one by one.
  expect(codesOf(r4("languages"))?.get("urn:ietf:bcp:47")?.get("en-GB")).toBe("English (Great Britain)");
});

// Pages https://hl7.org/fhir/R4/valueset-[name].html: all of BCP 47, of BCP 13, of UCUM, and a filter on SNOMED CT.
test.each(["all-languages", "mimetypes", "ucum-units", "clinical-findings", "observation-codes"])(
  "%s cannot be listed here, and is not answered in part",
  (name) => {
    expect(codesOf(r4(name))).toBeUndefined();
  },
);

test("an unknown value set has no codes at all, also under a name that objects have", () => {
  for (const url of ["http://example.org/none", "constructor", "__proto__", ""]) expect(codesOf(url)).toBeUndefined();
});

test("our own value sets are held like R4's", () => {
  expect(sizes("https://tidegate.example/fhir/ValueSet/profile-role")).toEqual({
    "https://tidegate.example/fhir/CodeSystem/profile-role": 2,
  });
});
