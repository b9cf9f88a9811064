import { beforeAll, expect, test } from "vitest";
import { startVisit } from "../../../src/fhir/checks/findings.ts";
import { checkFragment, checkReference } from "../../../src/fhir/checks/references.ts";
import { type ElementPlan, planOf } from "../../../src/fhir/checks/type-plan.ts";
import { createDefinitions } from "../../../src/fhir/definitions.ts";

beforeAll(() => {
  createDefinitions({ types: "default" });
});

const root = {
  resourceType: "Observation",
  contained: [
    { resourceType: "Patient", id: "p" },
    { resourceType: "Practitioner", id: "d" },
  ],
};

/** Findings for an Observation.subject, which may be a Patient, Group, Device or Location (https://hl7.org/fhir/R4/observation.html). */
function found(reference: object, path = "subject"): string[] {
  const visit = startVisit(root, () => undefined, "warnings");
  const element = planOf("Observation")?.elements.get(path) as ElementPlan;
  checkReference(visit, element, reference as Record<string, unknown>, "at");
  const warnings = (visit.warnings ?? []).map((one) => `warning ${one.at}`);
  return [...visit.errors.map((one) => `${one.at} ${one.detail}`), ...warnings];
}

// https://hl7.org/fhir/R4/references.html#literal, #contained, and https://hl7.org/fhir/R4/http.html#trules for conditional ones.
test.each([
  ["relative", { reference: "Patient/1" }],
  ["of one version", { reference: "Patient/1/_history/2" }],
  ["absolute", { reference: "https://example.org/fhir/Device/1" }],
  ["absolute and no FHIR address", { reference: "https://example.org/people/1" }],
  ["a name within a bundle", { reference: "urn:uuid:c757873d-ec9a-4326-a141-556f43239520" }],
  ["contained", { reference: "#p" }],
  ["conditional", { reference: "Patient?identifier=http://example.org|1" }],
  ["an identifier alone", { identifier: { value: "1" } }],
  ["an identifier with a type", { type: "Patient", identifier: { value: "1" } }],
  ["words alone", { display: "A ward" }],
  ["the same type twice", { reference: "Patient/1", type: "Patient" }],
  ["a type by its address", { reference: "Patient/1", type: "http://hl7.org/fhir/StructureDefinition/Patient" }],
])("a reference that is %s is taken", (_, reference) => {
  expect(found(reference)).toEqual([]);
});

test.each([
  [
    "to another type",
    { reference: "Practitioner/1" },
    "at A reference to Practitioner is not allowed here. Point to one of: Patient, Group, Device, Location.",
  ],
  [
    "to another type elsewhere",
    { reference: "https://example.org/fhir/Practitioner/1" },
    "at A reference to Practitioner",
  ],
  ["to another type on condition", { reference: "Practitioner?identifier=1" }, "at A reference to Practitioner"],
  ["to a contained one of another type", { reference: "#d" }, "at A reference to Practitioner"],
  ["to a contained one that is not there", { reference: "#x" }, "at.reference Constraint ref-1 not met"],
  [
    "to another type by what it says",
    { type: "Practitioner", identifier: { value: "1" } },
    "at A reference to Practitioner",
  ],
  ["at odds with its type", { reference: "Patient/1", type: "Device" }, "at.type The reference points to Patient"],
  ["to a type that R4 does not have", { reference: "Person2/1" }, "at.reference A reference is Type/id"],
  ["to a name that is no type", { reference: "patient/1" }, "at.reference R4 has no resource type patient"],
  ["to a data type", { reference: "Quantity/1" }, "at.reference R4 has no resource type Quantity"],
  ["to a type without id", { reference: "Patient" }, "at.reference A reference is Type/id"],
  ["to an id that is none", { reference: "Patient/a_b" }, "at.reference A reference is Type/id"],
])("a reference %s is refused", (_, reference, told) => {
  expect(found(reference)[0]).toContain(told);
});

// Observation.focus is a Reference(Any) on the same page.
test("an element that allows any resource allows each type, and none that R4 does not have", () => {
  expect(found({ reference: "Practitioner/1" }, "focus")).toEqual([]);
  expect(found({ reference: "Nothing/1" }, "focus")).toHaveLength(1);
});

// https://hl7.org/fhir/R4/datatypes.html#canonical: a fragment points to a contained resource.
test("a canonical points to a contained resource that is there, a uri may point to nothing here", () => {
  const visit = startVisit(root, () => undefined);
  checkFragment(visit, "canonical", "#p", "at");
  checkFragment(visit, "uri", "#elsewhere", "at");
  expect(visit.errors).toEqual([]);
  checkFragment(visit, "canonical", "#x", "at");
  expect(visit.errors).toMatchObject([{ kind: "value", at: "at" }]);
  expect([...visit.pointedTo]).toEqual(["p", "elsewhere", "x"]);
});
