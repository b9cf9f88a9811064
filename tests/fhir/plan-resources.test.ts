import { describe, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { planResources } from "../../src/fhir/plan-resources.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";

const definitions = createDefinitions({ types: ["CarePlan", "DeviceRequest"] });
const profile = {
  profileId: "r1",
  role: "usual",
  schedule: { kind: "count" as const, timesPerDay: 2 },
  insufflationPressureCmH2O: 35,
  exsufflationPressureCmH2O: -40,
};
const parts = { id: "plan", patientId: "p", start: "2026-01-01", profiles: [profile] };

describe.each(["active", "on-hold", "completed", "revoked"] as const)("a plan of status %s", (status) => {
  const { plan, requests } = planResources({ ...parts, status });

  test("and its requests are valid R4", () => {
    for (const resource of [plan, ...requests]) expect(checkResource(definitions, resource)).toEqual([]);
  });

  // cpl-3 of https://hl7.org/fhir/R4/careplan.html: an activity has a reference or a detail, never both.
  test("points to its requests, which do not point back", () => {
    expect(plan.activity).toEqual([{ reference: { reference: "DeviceRequest/r1" } }]);
    for (const request of requests) expect(request).not.toHaveProperty("basedOn");
  });
});

test("suction keeps its sign", () => {
  const [request] = planResources({ ...parts, status: "active" }).requests;
  const pressures = request?.parameter?.map((one) => one.valueQuantity?.value);
  expect(pressures).toEqual([35, -40]);
});
