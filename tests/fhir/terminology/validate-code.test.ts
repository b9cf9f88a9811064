import type { ValueSet } from "@medplum/fhirtypes";
import { expect, test } from "vitest";
import { codeListOf } from "../../../src/fhir/terminology/code-table.ts";
import { heldTerminology } from "../../../src/fhir/terminology/held-terminology.ts";
import { type CodeToCheck, validateCode } from "../../../src/fhir/terminology/validate-code.ts";

// Everything here from https://hl7.org/fhir/R4/valueset-operation-validate-code.html unless another page is named.
const loinc = "http://loinc.org";
/** The value set "23" of the page's examples, with the code and display that they print. */
const twentyThree: ValueSet = {
  resourceType: "ValueSet",
  url: "http://acme.example/fhir/ValueSet/23",
  status: "active",
  compose: {
    include: [{ system: loinc, concept: [{ code: "1963-8", display: "Bicarbonate [Moles/volume] in Serum" }] }],
  },
};
const gender = { system: "http://hl7.org/fhir/administrative-gender", code: "female" };

function outcome(valueSet: ValueSet | string, asked: CodeToCheck) {
  const list = typeof valueSet === "string" ? heldTerminology.codeList(valueSet) : codeListOf(valueSet);
  if (list === undefined) throw new Error(`${valueSet} is held`);
  const result = validateCode(list, asked, heldTerminology);
  if (!result.ok) return result.refusals[0];
  return Object.fromEntries(
    (result.value.parameter ?? []).map((one) => [one.name, one.valueBoolean ?? one.valueString]),
  );
}

test("the page's example: a wrong display is answered with false, why, and the right one", () => {
  const printed = {
    result: false,
    message: 'The display "test" is incorrect',
    display: "Bicarbonate [Moles/volume] in Serum",
  };
  expect(outcome(twentyThree, { system: loinc, code: "1963-8", display: "test" })).toEqual(printed);
  const codeableConcept = { coding: [{ system: loinc, code: "1963-8", display: "test" }] };
  expect(outcome(twentyThree, { codeableConcept })).toEqual(printed);
});

test("a code in the value set is valid and comes with its display", () => {
  const right = { result: true, display: "Female" };
  const url = "http://hl7.org/fhir/ValueSet/administrative-gender";
  expect(outcome(url, gender)).toEqual(right);
  expect(outcome(url, { coding: { ...gender, display: "female" } })).toEqual(right);
  expect(outcome(url, { codeableConcept: { coding: [{ system: "urn:x", code: "y" }, gender] } })).toEqual(right);
});

test("a code that its system lacks, and one that only the value set lacks, are told apart", () => {
  const url = "http://hl7.org/fhir/ValueSet/administrative-gender";
  expect(outcome(url, { ...gender, code: "F" })).toEqual({
    result: false,
    message: 'The code "F" is not in http://hl7.org/fhir/administrative-gender.',
  });
  const status = { system: "http://hl7.org/fhir/observation-status", code: "final" };
  expect(outcome(url, status)).toEqual({
    result: false,
    message:
      'The code "final" of http://hl7.org/fhir/observation-status is not in http://hl7.org/fhir/ValueSet/administrative-gender.',
  });
});

test("codes tell capitals apart", () => {
  // CodeSystem.caseSensitive of https://hl7.org/fhir/R4/codesystem-administrative-gender.html is true.
  expect(outcome("http://hl7.org/fhir/ValueSet/administrative-gender", { ...gender, code: "Female" })).toMatchObject({
    result: false,
  });
});

test("an abstract concept is valid only where the client says that one may be used", () => {
  const asked = { system: "http://terminology.hl7.org/CodeSystem/v3-ActMood", code: "_ActMoodDesire" };
  const url = "http://terminology.hl7.org/ValueSet/v3-ActMood";
  expect(outcome(url, asked)).toMatchObject({ result: false, message: expect.stringContaining("groups others") });
  expect(outcome(url, { ...asked, abstract: true })).toMatchObject({ result: true });
});

test("a designation is a right display as well", () => {
  const url = "http://terminology.hl7.org/ValueSet/v2-0001";
  const table = heldTerminology.codeTable("http://terminology.hl7.org/CodeSystem/v2-0001");
  const dutch = table?.details.get("F")?.designation?.find((one) => one.language === "nl")?.value;
  expect(dutch).toBeDefined();
  const coding = { system: "http://terminology.hl7.org/CodeSystem/v2-0001", code: "F", display: dutch ?? "" };
  expect(outcome(url, { coding })).toEqual({ result: true, display: "Female" });
});

test("another version of the code system is a hint beside the answer", () => {
  // "If this is provided when result = true, the message carries hints and warnings"
  expect(outcome("http://hl7.org/fhir/ValueSet/administrative-gender", { ...gender, systemVersion: "3.0.2" })).toEqual({
    result: true,
    message: "Checked against version 4.0.1 of http://hl7.org/fhir/administrative-gender.",
    display: "Female",
  });
});

test("exactly one of code, coding and codeableConcept is sent, and a code comes with its system", () => {
  for (const asked of [
    {},
    { ...gender, coding: gender },
    { coding: gender, codeableConcept: {} },
    { code: "female" },
  ]) {
    expect(outcome(twentyThree, asked)).toMatchObject({ kind: "required", status: 400 });
  }
});

test("a coding without a system, and a concept without codings, are in no value set", () => {
  expect(outcome(twentyThree, { coding: { code: "1963-8" } })).toMatchObject({ result: false });
  expect(outcome(twentyThree, { codeableConcept: { text: "Bicarbonate" } })).toMatchObject({ result: false });
});

test("where the value set cannot be listed the answer is a refusal, not false", () => {
  expect(
    outcome("http://hl7.org/fhir/ValueSet/clinical-findings", { system: "http://snomed.info/sct", code: "1" }),
  ).toMatchObject({
    kind: "not-supported",
    status: 422,
  });
});
