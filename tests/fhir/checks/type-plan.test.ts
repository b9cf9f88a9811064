import { beforeAll, expect, test } from "vitest";
import { isResourceName, planOf } from "../../../src/fhir/checks/type-plan.ts";
import { createDefinitions } from "../../../src/fhir/definitions.ts";

beforeAll(() => {
  createDefinitions({ types: "default" });
});

const element = (type: string, key: string) => planOf(type)?.elements.get(key);

// Elements as https://hl7.org/fhir/R4/observation.html, devicerequest.html and datatypes.html list them.
test("a choice element stands under one name for each of its types", () => {
  const keys = [...(planOf("Observation")?.elements.keys() ?? [])].filter((key) => key.startsWith("effective"));
  expect(keys).toEqual(["effectiveDateTime", "effectivePeriod", "effectiveTiming", "effectiveInstant"]);
  expect(element("Observation", "effectivePeriod")).toMatchObject({
    name: "effective",
    isChoice: true,
    type: "Period",
  });
});

test("required elements, bindings and targets are those of the definition", () => {
  expect(planOf("Observation")?.required.map((one) => one.name)).toEqual(["status", "code"]);
  expect(planOf("DeviceRequest")?.required).toContainEqual({
    name: "code",
    keys: ["codeReference", "codeCodeableConcept"],
  });
  expect(element("Observation", "status")?.binding).toEqual({
    valueSet: "http://hl7.org/fhir/ValueSet/observation-status",
    strength: "required",
  });
  expect(element("Observation", "category")?.binding).toBeUndefined();
  expect([...(element("Observation", "subject")?.targets ?? [])]).toEqual(["Patient", "Group", "Device", "Location"]);
  expect(element("Observation", "focus")?.targets).toBeUndefined();
});

test("an element that repeats another one's content has its type", () => {
  expect(element("ObservationComponent", "referenceRange")?.type).toBe("ObservationReferenceRange");
});

test("a quantity without comparator, and the id of a resource, are the narrower types they are", () => {
  expect(element("SampledData", "origin")?.type).toBe("SimpleQuantity");
  expect([element("Patient", "id")?.type, element("HumanName", "id")?.type]).toEqual(["id", "element-id"]);
});

test("only concrete resource types of R4 are resource types", () => {
  expect(
    ["Patient", "Parameters", "Resource", "DomainResource", "Quantity", "constructor", "patient"].map(isResourceName),
  ).toEqual([true, true, false, false, false, false, false]);
  expect(planOf("toString")).toBeUndefined();
});
