import type { Resource } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import {
  dateClause,
  dateTests,
  quantityClause,
  stringClause,
  uriClause,
} from "../../../src/fhir/search/plain-clauses.ts";
import { answers, contextOf, refusal } from "./answers.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "all" });
});

const nowMs = Date.UTC(2026, 5, 1);
const patient: Resource = { resourceType: "Patient", name: [{ family: "Åsberg-Réal" }], birthDate: "1980-05-01" };
const observation: Resource = {
  resourceType: "Observation",
  status: "final",
  code: { text: "flow" },
  effectiveDateTime: "2026-03-01T10:00:00Z",
  valueQuantity: { value: 5.4, unit: "mg", system: "http://unitsofmeasure.org", code: "mg" },
};
const risk: Resource = {
  resourceType: "RiskAssessment",
  status: "final",
  subject: { reference: "Patient/1" },
  prediction: [{ probabilityDecimal: 0.8 }],
};
const valueSet: Resource = { resourceType: "ValueSet", status: "active", url: "http://acme.example/fhir/ValueSet/123" };

// https://hl7.org/fhir/R4/search.html#string
test.each([
  ["family", "asb", true],
  ["family", "real", false],
  ["family:contains", "REAL", true],
  ["family:exact", "Åsberg-Réal", true],
  ["family:exact", "Åsberg-Real", false],
  ["birthdate", "1980", true],
  ["birthdate", "gt1980-05-01", false],
])("of a Patient, %s=%s answers %s", (name, value, expected) => {
  expect(answers(definitions, patient, name, value)).toBe(expected);
});

// https://hl7.org/fhir/R4/search.html#quantity and #date: 5.4 stands for 5.35 to 5.45, a day for all of it.
test.each([
  ["value-quantity", "5.4|http://unitsofmeasure.org|mg", true],
  ["value-quantity", "0.0054|http://unitsofmeasure.org|g", true],
  ["value-quantity", "5.4||mg", true],
  ["value-quantity", "5.4", true],
  ["value-quantity", "le5", false],
  ["date", "2026-03-01", true],
  ["date", "eb2026-03-01", false],
])("of an Observation, %s=%s answers %s", (name, value, expected) => {
  expect(answers(definitions, observation, name, value)).toBe(expected);
});

// https://hl7.org/fhir/R4/search.html#number; the parameter is that of https://hl7.org/fhir/R4/riskassessment.html#search
test.each([
  ["gt0.7", true],
  ["0.8", true],
  ["lt0.8", false],
])("a number answers %s: %s", (value, expected) => {
  expect(answers(definitions, risk, "probability", value)).toBe(expected);
});

// https://hl7.org/fhir/R4/search.html#uri: its examples are of ValueSet?url=http://acme.org/fhir/ValueSet/123.
test.each([
  ["url", "http://acme.example/fhir/ValueSet/123", true],
  ["url", "http://acme.example/fhir/ValueSet/", false],
  ["url", "http://ACME.example/fhir/ValueSet/123", false],
  ["url:below", "http://acme.example/fhir/", true],
  ["url:below", "http://acme.example/fhir", true],
  ["url:below", "http://acme.example/fh", false],
  ["url:below", "http://acme.example/fhir/ValueSet/123", true],
  ["url:above", "http://acme.example/fhir/ValueSet/123/_history/5", true],
  ["url:above", "http://acme.example/fhir/ValueSet", false],
  ["url:above", "http://acme.example/fhir/ValueSet/1234", false],
])("of a ValueSet, %s=%s answers %s", (name, value, expected) => {
  expect(answers(definitions, valueSet, name, value)).toBe(expected);
});

test.each([
  ["Patient", "family:text", "x", "not-supported"],
  ["Patient", "family", " ", "value"],
  ["Patient", "family:exact", "a\u0000", "value"],
  ["ValueSet", "url:below", "http://x.example\u0000", "value"],
  ["Patient", "birthdate", "May", "value"],
  ["Patient", "birthdate", "1980,May", "value"],
  ["Patient", "birthdate:exact", "1980", "not-supported"],
  ["Observation", "value-quantity", "5,much", "value"],
  ["Observation", "value-quantity", "5|http://unitsofmeasure.org", "value"],
  ["RiskAssessment", "probability", "likely", "value"],
  ["RiskAssessment", "probability:not", "1", "not-supported"],
  ["ValueSet", "url:exact", "http://x.example", "not-supported"],
])("of %s, %s=%o is refused: %s", (type, name, value, kind) => {
  expect(refusal(contextOf(definitions), type, name, value)).toMatchObject({ kind, at: name, status: 400 });
});

test("the readers keep the keys of their operands and join alternatives", () => {
  const place = (type: string, code: string) => {
    const found = definitions.parameters(type).get(code);
    if (found === undefined) throw new Error(`R4 has ${type} ${code}`);
    return found;
  };
  const keys = (type: string, code: string) => place(type, code).atoms.map((atom) => atom.key);
  expect(stringClause(place("Patient", "family"), "family", undefined, ["A", "É"])).toEqual({
    ok: true,
    value: { kind: "string", keys: keys("Patient", "family"), match: "prefix", anyOf: ["a", "e"] },
  });
  expect(dateClause("Patient", place("Patient", "birthdate"), "birthdate", ["1980"], nowMs)).toMatchObject({
    ok: true,
    value: { column: { keys: keys("Patient", "birthdate") } },
  });
  expect(dateClause("Observation", place("Observation", "date"), "date", ["1980"], nowMs)).toMatchObject({
    ok: true,
    value: { column: "hot" },
  });
  expect(quantityClause(place("RiskAssessment", "probability"), "probability", ["1", "2"])).toMatchObject({
    ok: true,
    value: { keys: keys("RiskAssessment", "probability"), anyOf: [{ prefix: "eq" }, { prefix: "eq" }] },
  });
  expect(uriClause(place("ValueSet", "url"), "url:below", "below", ["http://x.example"])).toEqual({
    ok: true,
    value: { kind: "body", paths: ['$."url"'], match: "below", anyOf: ["http://x.example"] },
  });
});

test("each date keeps its prefix and stands for its whole span", () => {
  expect(dateTests("date", ["ge2026-03", "2026-04-01"], nowMs)).toMatchObject({
    ok: true,
    value: [
      { prefix: "ge", low: Date.UTC(2026, 2, 1), high: Date.UTC(2026, 3, 1) },
      { prefix: "eq", low: Date.UTC(2026, 3, 1), high: Date.UTC(2026, 3, 2) },
    ],
  });
});
