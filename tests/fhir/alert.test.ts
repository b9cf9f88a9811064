import { validateResource } from "@medplum/core";
import { beforeAll, expect, test } from "vitest";
import { defaultThresholds } from "../../src/domain/thresholds.ts";
import { alertObservation } from "../../src/fhir/alert.ts";
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
