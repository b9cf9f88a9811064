import type { Resource } from "@medplum/fhirtypes";
import { describe, expect, test } from "vitest";
import { conditionalTarget, eachReference, localTarget, referencesIn } from "../../src/fhir/references.ts";

// https://hl7.org/fhir/R4/references.html#literal
describe("referencesIn", () => {
  test("finds references in lists, extensions and contained resources, each with its place", () => {
    const task: Resource = {
      resourceType: "Task",
      status: "requested",
      intent: "order",
      for: { reference: "Patient/1" },
      basedOn: [{ reference: "ServiceRequest/a" }, { reference: "ServiceRequest/b" }],
      extension: [{ url: "https://a.example/x", valueReference: { reference: "Device/d" } }],
      contained: [{ resourceType: "Device", id: "in", patient: { reference: "Patient/2" } }],
    };
    expect(referencesIn(task)).toEqual([
      { reference: "Patient/1", at: "Task.for.reference" },
      { reference: "ServiceRequest/a", at: "Task.basedOn[0].reference" },
      { reference: "ServiceRequest/b", at: "Task.basedOn[1].reference" },
      { reference: "Device/d", at: "Task.extension[0].valueReference.reference" },
      { reference: "Patient/2", at: "Task.contained[0].patient.reference" },
    ]);
  });

  test("leaves logical references and the entries of a stored Bundle alone", () => {
    const patient = { resourceType: "Patient", generalPractitioner: [{ identifier: { value: "1" } }] } as const;
    expect(referencesIn(patient as never)).toEqual([]);
    const entry = [{ resource: { resourceType: "Observation", subject: { reference: "Patient/1" } } }];
    expect(referencesIn({ resourceType: "Bundle", type: "collection", entry } as never)).toEqual([]);
  });
});

test("eachReference meets what referencesIn finds, in the same order, and nothing in a stored Bundle", () => {
  const resource = {
    resourceType: "Provenance",
    target: [{ reference: "Patient/1" }, { display: "reference", reference: "Device/2" }],
    reference: { reference: "Patient/3", extension: [{ valueReference: { reference: "Flag/4" } }, null] },
    note: ["reference", ["Patient/5"], { reference: 6 }],
  } as never;
  const met: string[] = [];
  eachReference(resource, (reference) => met.push(reference));
  expect(met).toEqual(["Patient/1", "Device/2", "Patient/3", "Flag/4"]);
  expect(met).toEqual(referencesIn(resource).map((one) => one.reference));
  eachReference({ resourceType: "Bundle", entry: [{ resource }] } as never, (reference) => met.push(reference));
  expect(met).toHaveLength(4);
});

// https://hl7.org/fhir/R4/references.html#literal, with the pattern of a RESTful reference.
test("a local reference has a type and an id, with or without a version", () => {
  expect(localTarget("Patient/a-1.b")).toEqual({ type: "Patient", id: "a-1.b" });
  expect(localTarget("Patient/1/_history/3")).toEqual({ type: "Patient", id: "1" });
});

test.each([
  "#in",
  "urn:uuid:05efabf0-4be2-4561-91ce-51548425acb9",
  "https://other.example/fhir/Patient/1",
  "Patient",
  "patient/1",
  "Patient/a b",
  `Patient/${"x".repeat(65)}`,
  "Patient?identifier=1",
])("%s is no local reference", (reference) => {
  expect(localTarget(reference)).toBeUndefined();
});

// https://hl7.org/fhir/R4/http.html#trules, conditional references.
test("a conditional reference has a type and criteria", () => {
  expect(conditionalTarget("Patient?identifier=urn:x|1")).toEqual({ type: "Patient", text: "identifier=urn:x|1" });
  for (const other of ["Patient/1", "Patient?", "https://a.example/Patient?a=b", "#a?b"]) {
    expect(conditionalTarget(other)).toBeUndefined();
  }
});
