import { validateResource } from "@medplum/core";
import { beforeAll, expect, test } from "vitest";
import { defaultThresholds } from "../../src/domain/thresholds.ts";
import { alertFact, alertObservation } from "../../src/fhir/alert.ts";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { sessionOf } from "../../src/fhir/session.ts";

beforeAll(() => void createDefinitions({ types: "default" }));

const alert = alertObservation({
  id: "alert-1",
  deviceId: "d",
  patientId: "p",
  uploadId: "u",
  code: "L-12",
  text: "high leak",
  atMs: Date.parse("2026-03-09T08:02:00Z"),
  localDay: "2026-03-09",
  deviceTime: "2026-03-09T11:02:00",
});

test("an alert is a valid Observation that carries the device's own code and time", () => {
  expect(validateResource(alert)).toEqual([]);
  expect(alert.valueCodeableConcept?.text).toBe("L-12: high leak");
  expect(alert.extension?.[0]?.valueString).toBe("2026-03-09T11:02:00");
});

test("an alert is no session", () => {
  expect(sessionOf(alert, { zone: "Europe/London", dayParts: defaultThresholds.dayParts })).toBeUndefined();
});

test("an alert reads back as it was written, its code without the words beside it", () => {
  expect(alertFact(alert, "Pacific/Auckland")).toEqual([
    {
      kind: "alert",
      alert: {
        observationId: "alert-1",
        patientId: "p",
        deviceId: "d",
        code: "L-12",
        atMs: Date.parse("2026-03-09T08:02:00Z"),
        localDay: "2026-03-09",
      },
    },
  ]);
});

test("an alert that another system made gives its text as the code, its day in the patient's zone", () => {
  const { extension: _, ...foreign } = { ...alert, effectiveDateTime: "2026-03-09T23:30:00Z" };
  expect(alertFact(foreign, "Europe/London")).toMatchObject([
    { alert: { code: "L-12: high leak", localDay: "2026-03-09" } },
  ]);
  expect(alertFact(foreign, "Europe/Berlin")).toMatchObject([{ alert: { localDay: "2026-03-10" } }]);
  const coded = { ...foreign, valueCodeableConcept: { coding: [{ system: "urn:other", code: "E7" }] } };
  expect(alertFact(coded, "Europe/London")).toMatchObject([{ alert: { code: "E7" } }]);
});

test.each([
  ["is entered in error", { status: "entered-in-error" }],
  ["was cancelled", { status: "cancelled" }],
  ["is only registered", { status: "registered" }],
  ["is under another code", { code: { text: "Device alert" } }],
  ["says its day but not its time", { effectiveDateTime: "2026-03-09" }],
  ["names no device", { device: {} }],
  ["is about no patient", { subject: { reference: "Group/p" } }],
  ["has neither code nor text", { extension: [], valueCodeableConcept: {} }],
])("an alert that %s states nothing", (_, over) => {
  expect(alertFact({ ...alert, ...over } as typeof alert, "Europe/London")).toEqual([]);
});
