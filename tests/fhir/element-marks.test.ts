import { expect, test } from "vitest";
import { marksOf } from "../../src/fhir/element-marks.ts";

const marksAt = (path: string) =>
  Object.fromEntries(
    [...(marksOf(path) ?? [])].map(([key, mark]) => [
      key,
      `${mark.isSummary ? "Σ" : ""}${mark.isModifier ? "?!" : ""}${mark.isMandatory ? "1" : ""}`,
    ]),
  );

// Column "Flags" and "Card." of https://hl7.org/fhir/R4/patient.html.
test("a patient is marked as its page has it", () => {
  expect(marksAt("Patient")).toMatchObject({
    identifier: "Σ",
    active: "Σ?!",
    name: "Σ",
    birthDate: "Σ",
    deceasedBoolean: "Σ?!",
    deceasedDateTime: "Σ?!",
    link: "Σ?!",
    managingOrganization: "Σ",
    modifierExtension: "?!",
  });
  for (const key of ["text", "contained", "maritalStatus", "photo", "contact", "generalPractitioner"]) {
    expect(marksOf("Patient")?.has(key), key).toBe(false);
  }
});

// https://hl7.org/fhir/R4/observation.html: component Σ, its code Σ 1..1, value[x] Σ, interpretation unmarked.
test("elements within a backbone element have marks of their own", () => {
  expect(marksOf("Observation")?.get("component")).toMatchObject({ inside: "Observation.component", isSummary: true });
  expect(marksAt("Observation.component")).toMatchObject({ code: "Σ1", valueQuantity: "Σ" });
  expect(marksOf("Observation.component")?.has("interpretation")).toBe(false);
});

// https://hl7.org/fhir/R4/datatypes.html#Attachment: all but data Σ; #Annotation: text Σ 1..1.
test("data types have marks of their own", () => {
  expect(marksAt("Attachment")).toEqual({
    contentType: "Σ",
    language: "Σ",
    url: "Σ",
    size: "Σ",
    hash: "Σ",
    title: "Σ",
    creation: "Σ",
  });
  expect(marksAt("Annotation")).toMatchObject({ text: "Σ1" });
});

// https://hl7.org/fhir/R4/codesystem.html: concept has a code 1..1; https://hl7.org/fhir/R4/bundle.html: entry.link is
// Σ and "see link".
test("an element that repeats another is marked where that one is", () => {
  expect(marksOf("CodeSystem.concept")?.get("code")).toMatchObject({ isMandatory: true });
  expect(marksOf("Bundle.entry")?.get("link")).toMatchObject({ inside: "Bundle.link", isSummary: true });
});

test("a name that R4 does not have is marked nowhere", () => {
  expect([marksOf("Tree"), marksOf("Tree.branch"), marksOf("constructor")]).toEqual([undefined, undefined, undefined]);
});

test("a primitive has no marked parts", () => {
  expect(marksOf("decimal")).toBeUndefined();
});
