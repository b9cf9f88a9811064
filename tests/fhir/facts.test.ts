import type { Resource } from "@medplum/fhirtypes";
import { expect, test } from "vitest";
import { defaultThresholds } from "../../src/domain/thresholds.ts";
import { hospitalStay } from "../../src/fhir/absence.ts";
import { contraindicationFlag } from "../../src/fhir/contraindication.ts";
import { machineResource } from "../../src/fhir/device.ts";
import { deviceUseStatement } from "../../src/fhir/device-use.ts";
import { factsOf } from "../../src/fhir/facts.ts";
import { patientResource } from "../../src/fhir/patient.ts";
import { planResources } from "../../src/fhir/prescription.ts";

const context = { zone: "Europe/London", dayParts: defaultThresholds.dayParts };
const { plan, requests } = planResources({
  id: "plan",
  patientId: "p",
  status: "active",
  start: "2026-01-01",
  profiles: [{ profileId: "r", role: "usual", schedule: { kind: "when-needed" } }],
});

test.each<[string, Resource, string[]]>([
  ["Patient", patientResource({ id: "p", family: "F", given: "G" }), ["patient"]],
  ["Device", machineResource({ id: "d", serialNumber: "1" }), ["device"]],
  [
    "DeviceUseStatement",
    deviceUseStatement({ id: "u", deviceId: "d", patientId: "p", start: "2026-01-01" }),
    ["device-use"],
  ],
  ["CarePlan", plan, ["plan"]],
  ["DeviceRequest", requests[0] as Resource, ["profile"]],
  [
    "Flag",
    contraindicationFlag({ id: "f", patientId: "p", code: "haemoptysis", start: "2026-01-01" }),
    ["contraindication"],
  ],
  ["Encounter", hospitalStay({ id: "e", patientId: "p", start: "2026-01-01" }), ["absence"]],
  ["Organization", { resourceType: "Organization", id: "o" }, []],
  ["Observation of another kind", { resourceType: "Observation", status: "final", code: { text: "x" } }, []],
])("a %s states %j", (_type, resource, kinds) => {
  expect(factsOf(resource, context).map((fact) => fact.kind)).toEqual(kinds);
});
