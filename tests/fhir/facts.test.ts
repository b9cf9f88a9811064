import type { Resource } from "@medplum/fhirtypes";
import { expect, test } from "vitest";
import { defaultThresholds } from "../../src/domain/thresholds.ts";
import { holidayFlag, hospitalStay } from "../../src/fhir/absence.ts";
import { alertObservation } from "../../src/fhir/alert.ts";
import { contraindicationFlag } from "../../src/fhir/contraindication.ts";
import { machineResource } from "../../src/fhir/device.ts";
import { deviceUseStatement } from "../../src/fhir/device-use.ts";
import { factsOf } from "../../src/fhir/facts.ts";
import { chestInfectionCondition } from "../../src/fhir/infection.ts";
import { patientResource } from "../../src/fhir/patient.ts";
import { planResources } from "../../src/fhir/plan-resources.ts";
import { screeningResponse } from "../../src/fhir/screening.ts";
import { sessionResources } from "../../src/fhir/session.ts";
import { taskResource } from "../../src/fhir/task.ts";
import { uploadDocument } from "../../src/fhir/upload.ts";

const context = { zone: "Europe/London", dayParts: defaultThresholds.dayParts };
const { plan, requests } = planResources({
  id: "plan",
  patientId: "p",
  status: "active",
  start: "2026-01-01",
  profiles: [{ profileId: "r", role: "usual", schedule: { kind: "when-needed" } }],
});

const session = sessionResources(
  {
    sessionId: "s",
    patientId: "p",
    deviceId: "d",
    startMs: Date.parse("2026-03-09T08:00:00Z"),
    endMs: Date.parse("2026-03-09T08:10:00Z"),
    deviceStart: "2026-03-09T08:00:00",
    localDay: "2026-03-09",
    readMs: Date.parse("2026-03-10T08:00:00Z"),
    recordDigest: "ab".repeat(32),
  },
  { documentId: "upload", statementId: "use", deviceEnd: "2026-03-09T08:10:00" },
);
const uploaded = {
  id: "upload",
  deviceId: "d",
  receivedIso: "2026-03-10T08:00:00Z",
  contentType: "application/json",
  size: 12,
  sha1Base64: "2jmj7l5rSw0yVb/vlWAYkK/YBwk=",
  sha256Hex: "ab".repeat(32),
  url: "/api/v1/uploads/upload/content",
  coverage: [
    {
      deviceId: "d",
      uploadId: "upload",
      startMs: Date.parse("2026-03-01T00:00:00Z"),
      endMs: Date.parse("2026-03-10T08:00:00Z"),
    },
  ],
};
const upload = uploadDocument(uploaded);
const reading = { readIso: "2026-03-10T08:00:00Z", driftMs: 1000 };
const alert = alertObservation({
  id: "alert",
  patientId: "p",
  deviceId: "d",
  uploadId: "upload",
  code: "L-12",
  atMs: Date.parse("2026-03-09T08:02:00Z"),
  localDay: "2026-03-09",
  deviceTime: "2026-03-09T08:02:00",
});
const task = taskResource(
  {
    kind: "raise",
    finding: {
      rule: "low-use",
      subject: "therapy",
      severity: "review",
      safety: false,
      sinceDay: "2026-03-01",
      text: "Recorded use is low.",
      evidence: [],
      clearsWhen: "Recorded use rises.",
    },
    episode: 1,
    dueDay: "2026-03-17",
  },
  { taskId: "t", patientId: "p", nowIso: "2026-03-10T08:00:00.000Z" },
);

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
  ["Flag of a holiday", holidayFlag({ id: "h", patientId: "p", start: "2026-01-01", end: "2026-01-07" }), ["absence"]],
  ["Condition", chestInfectionCondition({ id: "c", patientId: "p", onset: "2026-01-01" }), ["infection"]],
  [
    "QuestionnaireResponse",
    screeningResponse({ id: "s", patientId: "p", authored: "2026-01-01", found: [] }),
    ["screening"],
  ],
  ["Encounter", hospitalStay({ id: "e", patientId: "p", start: "2026-01-01" }), ["absence"]],
  ["session's Observation", session.observation, ["session"]],
  ["session's own DeviceUseStatement", session.statement, []],
  ["DocumentReference", upload, ["coverage"]],
  [
    "DocumentReference that notes the device's clock",
    uploadDocument({ ...uploaded, ...reading }),
    ["coverage", "clock-check"],
  ],
  ["device alert's Observation", alert, ["alert"]],
  ["Task", task, ["task"]],
  ["Organization", { resourceType: "Organization", id: "o" }, []],
  ["Observation of another kind", { resourceType: "Observation", status: "final", code: { text: "x" } }, []],
])("%s states %j", (_type, resource, kinds) => {
  expect(factsOf(resource, context).map((fact) => fact.kind)).toEqual(kinds);
});
