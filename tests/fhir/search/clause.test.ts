import type { Resource } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import { clauseOf } from "../../../src/fhir/search/clause.ts";
import * as read from "./answers.ts";
import { contextOf } from "./answers.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "default" });
});

const clause = (type: string, name: string, value: string) => read.clause(contextOf(definitions), type, name, value);
const refusal = (type: string, name: string, value: string) => read.refusal(contextOf(definitions), type, name, value);
const answers = (resource: Resource, name: string, value: string) => read.answers(definitions, resource, name, value);

const observation: Resource = {
  resourceType: "Observation",
  id: "o1",
  status: "final",
  meta: { tag: [{ system: "http://example.org/tag", code: "trial" }], profile: ["http://example.org/p|1.0"] },
  code: { coding: [{ system: "http://loinc.org", code: "8480-6" }] },
  subject: { reference: "Patient/23" },
  encounter: { identifier: { system: "http://example.org/stay", value: "7" } },
  effectivePeriod: { start: "2026-03-01T10:00:00Z", end: "2026-03-01T10:15:00Z" },
  component: [
    {
      code: { coding: [{ system: "http://example.org/part", code: "flow" }] },
      valueQuantity: { value: 240, unit: "L/min", system: "http://unitsofmeasure.org", code: "L/min" },
    },
  ],
};

const patient: Resource = {
  resourceType: "Patient",
  id: "23",
  name: [{ family: "Évans", given: ["Anna", "Lena"] }],
  gender: "female",
  birthDate: "1980-05",
  identifier: [{ system: "http://example.org/mrn", value: "a,b|c" }],
};

// Parameters and modifiers as https://hl7.org/fhir/R4/search.html explains them, definitions as in the registry of R4.
test.each([
  ["patient", "23", true],
  ["patient", "Patient/23", true],
  ["patient", "22,23", true],
  ["patient", "22", false],
  ["subject", "Patient/23", true],
  ["subject:Patient", "23", true],
  ["subject:Group", "23", false],
  ["subject:missing", "false", true],
  ["device:missing", "true", true],
  ["device:missing", "false", false],
  ["encounter:identifier", "http://example.org/stay|7", true],
  ["encounter:identifier", "7", true],
  ["encounter:identifier", "8", false],
  ["code", "http://loinc.org|8480-6", true],
  ["code", "http://loinc.org|", true],
  ["code:not", "http://loinc.org|8480-6", false],
  ["code:not", "8462-4", true],
  ["combo-code", "flow", true],
  ["component-code", "http://example.org/part|flow", true],
  ["status", "final,amended", true],
  ["date", "2026-03-01", true],
  ["date", "ge2026-03-01T10:14:00Z", true],
  ["date", "gt2026-03-01T10:16:00Z", false],
  ["date", "2026-02,2026-03", true],
  ["component-value-quantity", "lt270|http://unitsofmeasure.org|L/min", true],
  ["component-value-quantity", "4|http://unitsofmeasure.org|L/s", true],
  ["combo-value-quantity", "240", true],
  ["value-quantity", "240", false],
  ["_tag", "http://example.org/tag|trial", true],
  ["_tag", "real", false],
  ["_profile", "http://example.org/p", true],
  ["_source", "http://example.org", false],
] as const)("of an Observation, %s=%s answers %s", (name, value, expected) => {
  expect(answers(observation, name, value)).toBe(expected);
});

test.each([
  ["family", "evan", true],
  ["family", "vans", false],
  ["family:contains", "VAN", true],
  ["family:exact", "Évans", true],
  ["family:exact", "Evans", false],
  ["name", "lena", true],
  ["given", "lena,otto", true],
  ["gender", "female", true],
  ["birthdate", "1980", true],
  ["birthdate", "1980-05-01", false],
  ["identifier", "http://example.org/mrn|a\\,b\\|c", true],
  ["identifier", "a\\,b\\|c", true],
  ["deceased", "false", true],
] as const)("of a Patient, %s=%s answers %s", (name, value, expected) => {
  expect(answers(patient, name, value)).toBe(expected);
});

test("a patient's references and the type's main time are asked of the hot columns", () => {
  expect(clause("Observation", "patient", "23")).toEqual({ kind: "patient", anyOf: ["23"] });
  expect(clause("Task", "patient", "Patient/23")).toEqual({ kind: "patient", anyOf: ["23"] });
  expect(clause("Observation", "date", "2026")).toMatchObject({ kind: "date", column: "hot" });
  expect(clause("DeviceUseStatement", "use-period", "2026")).toMatchObject({ column: "hot" });
  expect(clause("Task", "authored-on", "2026")).toMatchObject({ column: "hot" });
});

test("a subject that may be of several types, or a patient elsewhere, is asked of the terms", () => {
  expect(clause("Observation", "subject", "23").kind).toBe("terms");
  expect(clause("Observation", "patient", "https://other.example/fhir/Patient/23").kind).toBe("terms");
});

test("several subjects of one resource are all found, so they are no hot column", () => {
  const account: Resource = {
    resourceType: "Account",
    status: "active",
    subject: [{ reference: "Patient/1" }, { reference: "Patient/2" }],
  };
  expect(answers(account, "patient", "2")).toBe(true);
});

test("a version in a reference does not hide the patient", () => {
  expect(answers({ ...observation, subject: { reference: "Patient/23/_history/4" } }, "patient", "23")).toBe(true);
});

// https://hl7.org/fhir/R4/search.html#modifiers: a server SHALL reject a modifier that it does not support.
test.each([
  ["Observation", "code:above", "x"],
  ["Observation", "date:exact", "2026"],
  ["Observation", "subject:Practitioner", "1"],
  ["Patient", "family:not", "x"],
  ["ValueSet", "url:contains", "http://example.org"],
  ["Observation", "code-value-quantity:not", "a$5"],
  ["Observation", "code-value-quantity:missing", "true"],
])("of %s, %s is refused as not supported", (type, name, value) => {
  expect(refusal(type, name, value)).toMatchObject({ kind: "not-supported", at: name, status: 400 });
});

test.each([
  ["code:missing", "maybe"],
  ["date", "yesterday"],
  ["value-quantity", "much"],
  ["code", ""],
  ["code", "a,,b"],
  ["subject:Patient", "Group/1"],
  ["code:not:text", "x"],
])("%s=%o is refused as a value", (name, value) => {
  expect(refusal("Observation", name, value)).toMatchObject({ kind: "value", at: name });
});

test("a string of accents alone would match everything and is refused", () => {
  expect(refusal("Patient", "family", " ")).toMatchObject({ kind: "value" });
});

// https://hl7.org/fhir/R4/datatypes.html#string: no characters below U+0020 except tab, line feed and carriage return.
test.each(["family", "family:exact", "family:contains"])("a NUL in %s is refused", (name) => {
  expect(refusal("Patient", name, "a\u0000b")).toMatchObject({ kind: "value", at: name, status: 400 });
});

test("five hundred alternatives may be asked for at once, not more", () => {
  const many = (count: number) => Array.from({ length: count }, (_, i) => `c${i}`).join(",");
  expect(clause("Observation", "code", many(500)).kind).toBe("terms");
  expect(refusal("Observation", "code", many(501))).toMatchObject({ kind: "too-costly" });
});

test("a parameter that the type does not have is unknown", () => {
  expect(clauseOf(contextOf(definitions), "Observation", "colour", "red")).toBe("unknown");
});
