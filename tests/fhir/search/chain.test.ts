import type { Resource } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import { chainClause, hasClause, listClause } from "../../../src/fhir/search/chain.ts";
import { clauseOf } from "../../../src/fhir/search/clause.ts";
import { answers, clause, contextOf, refusal } from "./answers.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "default" });
});

const patient: Resource = {
  resourceType: "Patient",
  id: "23",
  name: [{ family: "Maren" }],
  generalPractitioner: [{ reference: "Practitioner/d" }],
};
const practitioner: Resource = { resourceType: "Practitioner", id: "d", name: [{ family: "Osse" }] };
const device: Resource = { resourceType: "Device", id: "m", type: { coding: [{ code: "assist" }] } };
const observation: Resource = {
  resourceType: "Observation",
  id: "o",
  status: "final",
  code: { coding: [{ system: "http://example.org", code: "flow" }] },
  subject: { reference: "Patient/23" },
  device: { reference: "Device/m" },
};
const list: Resource = {
  resourceType: "List",
  id: "42",
  status: "current",
  mode: "working",
  entry: [{ item: { reference: "Patient/23" } }, { item: { reference: "Observation/o" } }],
};
const world = [patient, practitioner, device, observation, list];

// https://hl7.org/fhir/R4/search.html#chaining
test.each([
  ["subject:Patient.family", "maren", true],
  ["subject:Patient.family", "osse", false],
  ["subject.family", "maren", true],
  ["patient.family", "maren", true],
  ["patient._id", "23", true],
  ["device.type", "assist", true],
  ["device.type:not", "assist", false],
  ["subject:Patient.general-practitioner:Practitioner.family", "osse", true],
  ["patient.general-practitioner.family", "osse,maren", true],
  ["patient.general-practitioner.family", "maren", false],
])("of an Observation, %s=%s answers %s", (name, value, expected) => {
  expect(answers(definitions, observation, name, value, world)).toBe(expected);
});

// https://hl7.org/fhir/R4/search.html#has
test.each([
  ["_has:Observation:patient:code", "flow", true],
  ["_has:Observation:patient:code", "pressure", false],
  ["_has:Observation:subject:status", "final", true],
  ["_has:Observation:patient:device.type", "assist", true],
  ["_has:Observation:patient:_has:List:item:_id", "42", true],
  ["_has:Observation:patient:_has:List:item:_id", "43", false],
])("of a Patient, %s=%s answers %s", (name, value, expected) => {
  expect(answers(definitions, patient, name, value, world)).toBe(expected);
});

// https://hl7.org/fhir/R4/search.html#list
test.each([
  ["42", true],
  ["List/42", true],
  ["41", false],
])("what a list names is found by _list=%s: %s", (value, expected) => {
  expect(answers(definitions, patient, "_list", value, world)).toBe(expected);
  expect(answers(definitions, practitioner, "_list", value, world)).toBe(false);
});

test("the one patient a resource is about is followed by its column, any other reference by its operands", () => {
  const context = contextOf(definitions);
  expect(clause(context, "Observation", "patient.family", "x")).toMatchObject({ kind: "chain", link: "patient" });
  expect(clause(context, "Observation", "device:Device.type", "x")).toMatchObject({
    kind: "chain",
    type: "Device",
    link: {
      keys: definitions
        .parameters("Observation")
        .get("device")
        ?.atoms.map((atom) => atom.key),
    },
  });
});

test("without a type every switched-on target that has the parameter is followed", () => {
  // Observation.subject: Group, Device, Patient, Location (https://hl7.org/fhir/R4/observation.html#search).
  const asked = clause(contextOf(definitions), "Observation", "subject.identifier", "x");
  if (asked.kind !== "any") throw new Error(asked.kind);
  const types = asked.of.map((one) => (one.kind === "chain" ? one.type : one.kind));
  expect([...types].sort()).toEqual(["Device", "Group", "Location", "Patient"]);
});

test("a value that one target cannot read is asked of the others alone", () => {
  // Of the subjects only a Location has `near`; `birthdate` is a date of Patient alone.
  const asked = clause(contextOf(definitions), "Observation", "subject.birthdate", "1980");
  expect(asked).toMatchObject({ kind: "chain", type: "Patient" });
});

test.each([
  ["Observation", "status.name", "x", "value"],
  ["Observation", "subject:Practitioner.name", "x", "value"],
  ["Observation", "subject.colour", "x", "not-supported"],
  ["Observation", "subject.birthdate", "yesterday", "not-supported"],
  ["Observation", "patient.birthdate", "yesterday", "value"],
  ["Patient", "_has:Observation:patient", "x", "value"],
  ["Patient", "_has:Observation:code:status", "x", "value"],
  ["Patient", "_has:Claim:patient:status", "x", "value"],
  ["Patient", "_has:Nothing:patient:status", "x", "value"],
  ["Patient", "_has:Observation:device:status", "x", "value"],
  ["Patient", "_has:Observation:patient:colour", "x", "not-supported"],
  ["Patient", "_has:Observation:patient:date", "yesterday", "value"],
])("of %s, %s=%s is refused: %s", (type, name, value, kind) => {
  expect(refusal(contextOf(definitions), type, name, value)).toMatchObject({ kind, status: 400 });
});

test("a chain whose first link is no parameter is unknown, as any other name is", () => {
  expect(chainClause(clauseOf, contextOf(definitions), "Observation", "colour.name", "x")).toBe("unknown");
});

test("links are counted, forward and backward, and a link too many is too costly", () => {
  const name = "patient.general-practitioner.family";
  expect(clause(contextOf(definitions, 2), "Observation", name, "x").kind).toBe("chain");
  expect(refusal(contextOf(definitions, 1), "Observation", name, "x")?.kind).toBe("too-costly");
  expect(refusal(contextOf(definitions, 0), "Observation", "patient.family", "x")?.kind).toBe("too-costly");
  const back = "_has:Observation:patient:device.type";
  expect(hasClause(clauseOf, contextOf(definitions, 2), "Patient", back, "x").ok).toBe(true);
  expect(refusal(contextOf(definitions, 1), "Patient", back, "x")?.kind).toBe("too-costly");
});

test("without lists switched on, _list is unknown", () => {
  const without = createDefinitions({ types: ["Patient"] });
  expect(listClause(clauseOf, contextOf(without), "Patient", "42")).toBe("unknown");
});
