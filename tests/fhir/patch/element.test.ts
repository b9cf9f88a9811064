import { expect, test } from "vitest";
import { capital, elementOf, isPrimitive, memberOf } from "../../../src/fhir/patch/element.ts";

// https://hl7.org/fhir/R4/observation.html, https://hl7.org/fhir/R4/patient.html, https://hl7.org/fhir/R4/questionnaire.html
test("an element has the types and the cardinality that R4 gives it", () => {
  expect(elementOf("Patient", "birthDate")).toEqual({
    name: "birthDate",
    isArray: false,
    isChoice: false,
    types: ["date"],
  });
  expect(elementOf("Patient", "contact")).toMatchObject({ isArray: true, isChoice: false });
  expect(elementOf("Patient", "multipleBirth")).toMatchObject({ isChoice: true, types: ["boolean", "integer"] });
  expect(elementOf("ObservationComponent", "referenceRange")).toMatchObject({ isArray: true });
  expect(elementOf("QuestionnaireItem", "item")?.types).toEqual(["QuestionnaireItem"]);
  expect(elementOf("date", "extension")?.types).toEqual(["Extension"]);
});

test.each([
  ["Patient", "colour"],
  ["Patient", "resourceType"],
  ["Patient", "deceasedBoolean"],
  ["Patient", "deceased[x]"],
  ["Patient", "toString"],
  ["Patient", "__proto__"],
  ["Nothing", "id"],
  ["toString", "id"],
])("%s has no element %s", (type, name) => {
  expect(elementOf(type, name)).toBeUndefined();
});

// https://hl7.org/fhir/R4/formats.html#choice
test("the member of a choice ends in its type, any other is the element's name", () => {
  const value = elementOf("Observation", "value");
  const status = elementOf("Observation", "status");
  if (value === undefined || status === undefined) throw new Error("R4 is not loaded");
  expect(memberOf(value, "dateTime")).toBe("valueDateTime");
  expect(memberOf(status, "code")).toBe("status");
  expect(capital("base64Binary")).toBe("Base64Binary");
});

// https://hl7.org/fhir/R4/datatypes.html: names of primitive types begin with a small letter.
test("a date is primitive, a Quantity is not", () => {
  expect(["date", "xhtml", "Quantity", "PatientContact"].map(isPrimitive)).toEqual([true, true, false, false]);
});
