import type { Resource } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import { tokenClause, tokenTerms } from "../../../src/fhir/search/token-clause.ts";
import { answers, clause, contextOf, refusal } from "./answers.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "default" });
});

const patient: Resource = {
  resourceType: "Patient",
  id: "23",
  gender: "female",
  active: true,
  identifier: [
    {
      type: { coding: [{ system: "http://terminology.hl7.org/CodeSystem/v2-0203", code: "MR" }], text: "Ward number" },
      system: "http://example.org/mrn",
      value: "446053",
    },
    { value: "loose" },
  ],
};
const observation: Resource = {
  resourceType: "Observation",
  id: "o",
  status: "final",
  code: {
    coding: [{ system: "http://example.org", code: "flow", display: "Expiratory flow" }],
    text: "Peak while coughing",
  },
  component: [{ code: { text: "Grösse" } }],
};

// https://hl7.org/fhir/R4/search.html#token: [code], [system]|[code], |[code], [system]|
test.each([
  ["identifier", "446053", true],
  ["identifier", "http://example.org/mrn|446053", true],
  ["identifier", "http://example.org/mrn|", true],
  ["identifier", "|446053", false],
  ["identifier", "|loose", true],
  ["identifier", "http://example.org/mrn|loose", false],
  ["gender", "female", true],
  ["gender", "male,female", true],
  ["active", "true", true],
  ["gender:not", "male", true],
  ["gender:not", "female", false],
  ["gender:not", "male,female", false],
])("of a Patient, %s=%s answers %s", (name, value, expected) => {
  expect(answers(definitions, patient, name, value)).toBe(expected);
});

// The same section: identifier:of-type=http://terminology.hl7.org/CodeSystem/v2-0203|MR|446053 is its example.
test.each([
  ["http://terminology.hl7.org/CodeSystem/v2-0203|MR|446053", true],
  ["http://terminology.hl7.org/CodeSystem/v2-0203|MRT|446053", false],
  ["http://terminology.hl7.org/CodeSystem/v2-0203|MR|446054", false],
  ["http://example.org|MR|446053", false],
])("an identifier of a type, %s: %s", (value, expected) => {
  expect(answers(definitions, patient, "identifier:of-type", value)).toBe(expected);
});

test.each(["446053", "MR|446053", "http://x.example|MR|", "|MR|446053", "http://x.example||446053"])(
  "%s leaves out a part of :of-type and is refused",
  (value) => {
    expect(refusal(contextOf(definitions), "Patient", "identifier:of-type", value)).toMatchObject({
      kind: "value",
      at: "identifier:of-type",
      status: 400,
    });
  },
);

// https://hl7.org/fhir/R4/search.html#modifiers: :text searches the text or display, from its start, as strings are.
test.each([
  ["code:text", "peak", true],
  ["code:text", "EXPIRATORY", true],
  ["code:text", "flow", false],
  ["combo-code:text", "grosse", true],
  ["code:text", "grosse", false],
])("of an Observation, %s=%s answers %s", (name, value, expected) => {
  expect(answers(definitions, observation, name, value)).toBe(expected);
});

test("the type of an identifier has a text as well", () => {
  expect(answers(definitions, patient, "identifier:text", "ward")).toBe(true);
  expect(answers(definitions, patient, "identifier:text", "446053")).toBe(false);
});

test("a text without a letter, and an operand that filters, cannot be asked by :text", () => {
  expect(refusal(contextOf(definitions), "Observation", "code:text", " ")?.kind).toBe("value");
  expect(refusal(contextOf(definitions), "Observation", "code:text", "a\u0000")?.kind).toBe("value");
  expect(refusal(contextOf(definitions), "Patient", "email:text", "x")?.kind).toBe("not-supported");
});

// https://hl7.org/fhir/R4/valueset-administrative-gender.html: male, female, other, unknown.
test.each([
  ["gender:in", "http://hl7.org/fhir/ValueSet/administrative-gender", true],
  ["gender:not-in", "http://hl7.org/fhir/ValueSet/administrative-gender", false],
  ["gender:in", "http://hl7.org/fhir/ValueSet/observation-status", false],
  ["gender:not-in", "http://hl7.org/fhir/ValueSet/observation-status", true],
])("of a Patient, %s=%s answers %s", (name, value, expected) => {
  expect(answers(definitions, patient, name, value)).toBe(expected);
});

test("a code with a system is in a value set by both", () => {
  // https://hl7.org/fhir/R4/valueset-observation-category.html has `procedure` of its own code system.
  const of = (system: string): Resource => ({
    ...observation,
    category: [{ coding: [{ system, code: "procedure" }] }],
  });
  const own = "http://terminology.hl7.org/CodeSystem/observation-category";
  const url = "http://hl7.org/fhir/ValueSet/observation-category";
  expect(answers(definitions, of(own), "category:in", url)).toBe(true);
  expect(answers(definitions, of("http://example.org"), "category:in", url)).toBe(false);
});

test("a value set that is not known or cannot be listed is refused with a way on", () => {
  for (const url of ["http://example.org/ValueSet/none", "http://hl7.org/fhir/ValueSet/mimetypes"]) {
    const refused = refusal(contextOf(definitions), "Observation", "code:in", url);
    expect(refused, url).toMatchObject({ kind: "not-found", status: 400 });
    expect(refused?.detail).toContain("$expand");
  }
});

test("a modifier of another kind is refused with those that a token takes", () => {
  const read = tokenClause({ atoms: [] }, "code:exact", "exact", ["x"]);
  expect(read).toMatchObject({ ok: false, refusals: [{ kind: "not-supported", at: "code:exact" }] });
  if (!read.ok) expect(read.refusals[0]?.detail).toContain(":not, :text, :of-type, :in, :not-in and :missing");
});

test("every operand is asked for every value", () => {
  const atoms = definitions.parameters("Observation").get("combo-code")?.atoms ?? [];
  expect(tokenTerms({ atoms }, ["a", "b", "c"]).anyOf).toHaveLength(6);
  expect(tokenTerms({ atoms }, ["a"]).negate).toBe(false);
  expect(clause(contextOf(definitions), "Observation", "combo-code", "a,b,c")).toEqual(
    tokenTerms({ atoms }, ["a", "b", "c"]),
  );
});
