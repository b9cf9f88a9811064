import { expect, test } from "vitest";
import { codeSystemOf, receivedConcept } from "../../../src/fhir/received/coding.ts";
import { outsideSystems } from "../../../src/fhir/terminology/codes.ts";

test.each([
  ["MDC", outsideSystems.mdc],
  ["LN", outsideSystems.loinc],
  ["HL70078", "http://terminology.hl7.org/CodeSystem/v2-0078"],
  ["99LOCAL", "https://tidegate.example/fhir/sid/hl7v2-coding/99LOCAL"],
  ["constructor", "https://tidegate.example/fhir/sid/hl7v2-coding/constructor"],
])("the coding system %s is %s", (name, system) => {
  expect(codeSystemOf(name)).toBe(system);
});

test("a code is kept as it was received, and a text alone is a text", () => {
  expect(receivedConcept({ code: "1", text: "One", system: "99LOCAL" })).toEqual({
    coding: [{ system: "https://tidegate.example/fhir/sid/hl7v2-coding/99LOCAL", code: "1", display: "One" }],
    text: "One",
  });
  expect(receivedConcept({ text: "One" })).toEqual({ text: "One" });
  expect(receivedConcept({ code: "1" })).toEqual({ coding: [{ code: "1" }] });
});
