import type { Resource } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import { compartmentClause } from "../../../src/fhir/search/compartment-clause.ts";
import { meets } from "./answers.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "default" });
});

function belongs(resource: Resource, patientId: string): boolean {
  return meets(definitions, resource, compartmentClause(definitions, resource.resourceType, patientId), []);
}

const observation: Resource = {
  resourceType: "Observation",
  id: "o",
  status: "final",
  code: { text: "flow" },
  subject: { reference: "Patient/a" },
  performer: [{ reference: "Practitioner/d" }, { reference: "Patient/b" }],
};

// https://hl7.org/fhir/R4/compartmentdefinition-patient.html: Observation by subject and performer.
test("an Observation belongs to its subject and to whoever performed it", () => {
  expect(belongs(observation, "a")).toBe(true);
  expect(belongs(observation, "b")).toBe(true);
  expect(belongs(observation, "d")).toBe(false);
});

// The same page: DeviceUseStatement by subject, Provenance by target.patient as `patient`, Encounter by patient.
test.each([
  { resourceType: "DeviceUseStatement", status: "active", subject: { reference: "Patient/a" }, device: {} },
  { resourceType: "Flag", status: "active", code: {}, subject: { reference: "Patient/a" } },
  { resourceType: "Encounter", status: "finished", class: {}, subject: { reference: "Patient/a" } },
  { resourceType: "RelatedPerson", patient: { reference: "Patient/a" } },
  { resourceType: "Group", type: "person", actual: true, member: [{ entity: { reference: "Patient/a" } }] },
] as Resource[])("a resource belongs to the patient it names: $resourceType", (resource) => {
  expect(belongs(resource, "a")).toBe(true);
  expect(belongs(resource, "b")).toBe(false);
});

// The same page: Patient by `link`; https://hl7.org/fhir/R4/compartmentdefinition.html: and the patient itself.
test("a patient belongs to its own compartment and to that of a linked patient", () => {
  const linked: Resource = {
    resourceType: "Patient",
    id: "a",
    link: [{ type: "seealso", other: { reference: "Patient/b" } }],
  };
  expect(belongs(linked, "a")).toBe(true);
  expect(belongs(linked, "b")).toBe(true);
  expect(belongs(linked, "c")).toBe(false);
});

test("a version in a reference does not hide whom a resource belongs to", () => {
  expect(belongs({ ...observation, subject: { reference: "Patient/a/_history/2" } }, "a")).toBe(true);
});

// The same page lists no parameter for Device, Location and Organization.
test.each(["Device", "Location", "Organization"])("a %s belongs to no patient at all", (type) => {
  expect(compartmentClause(definitions, type, "a")).toEqual({ kind: "any", of: [] });
  expect(belongs({ resourceType: type, id: "a", patient: { reference: "Patient/a" } } as Resource, "a")).toBe(false);
});
