import type { Resource } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import { referenceTerm } from "../../../src/fhir/search/reference.ts";
import { referenceClause, referenceTerms, targetTypes } from "../../../src/fhir/search/reference-clause.ts";
import { answers, clause, contextOf, refusal } from "./answers.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "default", ownBase: "https://here.example/fhir" });
});

const observation: Resource = {
  resourceType: "Observation",
  id: "o",
  status: "final",
  code: { text: "flow" },
  subject: { reference: "Patient/23" },
  device: { reference: "https://here.example/fhir/Device/m" },
  encounter: { identifier: { system: "http://example.org/stay", value: "7" } },
  performer: [{ reference: "https://other.example/fhir/Practitioner/d" }],
};

// https://hl7.org/fhir/R4/search.html#reference: [id], [type]/[id] and [url], and a type as modifier.
test.each([
  ["subject", "23", true],
  ["subject", "Patient/23", true],
  ["subject", "https://here.example/fhir/Patient/23", true],
  ["subject:Patient", "23", true],
  ["subject:Patient", "Patient/23", true],
  ["subject:Device", "23", false],
  ["patient", "https://here.example/fhir/Patient/23", true],
  ["device", "m", true],
  ["device", "Device/m", true],
  ["performer", "https://other.example/fhir/Practitioner/d", true],
  ["performer", "Practitioner/d", false],
  ["performer", "d", false],
  ["encounter:identifier", "http://example.org/stay|7", true],
  ["encounter:identifier", "|7", false],
  ["encounter", "7", false],
])("of an Observation, %s=%s answers %s", (name, value, expected) => {
  expect(answers(definitions, observation, name, value)).toBe(expected);
});

test("ids of the one patient are asked of the hot column, any other form of the terms", () => {
  const context = contextOf(definitions);
  const patient = { kind: "patient", anyOf: ["1", "2"] };
  expect(clause(context, "Observation", "patient", "1,Patient/2")).toEqual(patient);
  expect(clause(context, "Observation", "patient:Patient", "1,2")).toEqual(patient);
  expect(clause(context, "Observation", "subject:Patient", "1,2")).toEqual(patient);
  expect(clause(context, "Observation", "patient", "1,https://other.example/fhir/Patient/2").kind).toBe("terms");
  expect(clause(context, "Observation", "subject", "1").kind).toBe("terms");
});

test("a bare id may be of the types that are switched on, or of all where none is", () => {
  const few = contextOf(createDefinitions({ types: ["Patient"] }));
  expect(targetTypes(few, ["Patient", "Claim"])).toEqual(["Patient"]);
  expect(targetTypes(few, ["Claim", "Coverage"])).toEqual(["Claim", "Coverage"]);
});

test("every operand is asked for every reference", () => {
  const atoms = definitions.parameters("Observation").get("device")?.atoms ?? [];
  const key = atoms[0]?.key ?? "";
  const terms = referenceTerms(contextOf(definitions), { atoms, targets: ["Device"] }, ["a", "Device/b"]);
  expect(terms).toEqual({
    kind: "terms",
    anyOf: [referenceTerm(key, "Device/a"), referenceTerm(key, "Device/b")],
    negate: false,
  });
});

test.each([
  ["subject:Practitioner", "1", "not-supported"],
  ["subject:exact", "1", "not-supported"],
  ["subject:Patient", "Group/1", "value"],
  ["subject:Patient", "1,Group/1", "value"],
])("%s=%s is refused: %s", (name, value, kind) => {
  expect(refusal(contextOf(definitions), "Observation", name, value)).toMatchObject({ kind, at: name, status: 400 });
});

test("the refusal of a modifier names the types that the reference may have", () => {
  const parameter = definitions.parameters("Observation").get("device");
  if (parameter === undefined) throw new Error("R4 has it");
  const read = referenceClause(contextOf(definitions), parameter, "device:Patient", "Patient", ["1"]);
  expect(read.ok ? "" : read.refusals[0]?.detail).toContain(":identifier, :Device, :DeviceMetric");
});
