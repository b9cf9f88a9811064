import { describe, expect, test } from "vitest";
import type { ReceivedObservation } from "../../../src/domain/received-observation.ts";
import { createDefinitions } from "../../../src/fhir/definitions.ts";
import { measurementObservation, observationStatus } from "../../../src/fhir/received/observation.ts";
import { checkResource } from "../../../src/fhir/resource-check.ts";

const received: ReceivedObservation = {
  at: "OBX[1]",
  code: { code: "x", text: "X", system: "99LOCAL" },
  value: { kind: "number", value: 5 },
  interpretations: [],
  resultStatus: "F",
  observed: { text: "2026-06-10T10:00:00+00:00", ms: 0 },
  device: { value: "1", authority: {}, at: "OBX-18" },
};
const about = { id: "measured-1", status: "final", patientId: "ada", deviceId: "m" } as const;
const observation = (more: Partial<ReceivedObservation>) => measurementObservation({ ...received, ...more }, about);

describe("a measurement", () => {
  test.each([
    [
      "a number with a unit",
      { unit: { code: "/min", text: "per minute", system: "UCUM" } },
      { valueQuantity: { value: 5, code: "/min", unit: "per minute" } },
    ],
    [
      "a unit without a system, whose code alone says nothing",
      { unit: { code: "bpm" } },
      { valueQuantity: { value: 5, unit: "bpm" } },
    ],
    [
      "a number below a limit",
      { value: { kind: "number", value: 5, comparator: "<" } },
      { valueQuantity: { comparator: "<" } },
    ],
    ["a text", { value: { kind: "text", text: "high" } }, { valueString: "high" }],
    [
      "a code",
      { value: { kind: "code", code: { code: "y", system: "99LOCAL" } } },
      { valueCodeableConcept: { coding: [{ code: "y" }] } },
    ],
    [
      "a range",
      { value: { kind: "range", low: 1, high: 2 } },
      { valueRange: { low: { value: 1 }, high: { value: 2 } } },
    ],
    [
      "no value, which is not available",
      { value: { kind: "none" }, interpretations: ["NAV"] },
      { dataAbsentReason: { coding: [{ code: "temp-unknown" }] } },
    ],
    [
      "an invalid value",
      { value: { kind: "none" }, interpretations: ["INV"] },
      { dataAbsentReason: { coding: [{ code: "error" }] } },
    ],
    ["a part of the device", { subId: "1.6.1.1" }, { extension: [{ valueString: "1.6.1.1" }] }],
    [
      "a demonstration",
      { interpretations: ["DEMO", "H"] },
      { meta: { security: [{ code: "HTEST" }] }, interpretation: [{ coding: [{ code: "H" }] }] },
    ],
  ] as const)("of %s is a valid Observation", (_what, more, expected) => {
    const made = observation(more as Partial<ReceivedObservation>);
    expect(made).toMatchObject(expected);
    expect(checkResource(createDefinitions({ types: "default" }), made, "Observation")).toEqual([]);
  });

  test("that was cancelled holds no value", () => {
    const made = measurementObservation(received, { ...about, status: "cancelled" });
    expect([made.valueQuantity, made.dataAbsentReason?.coding?.[0]?.code]).toEqual([undefined, "not-performed"]);
  });
});

test("R is taken in only where the place says so, and as preliminary", () => {
  expect(observationStatus("R", { unverified: "skip" })).toBeUndefined();
  expect(observationStatus("R", { unverified: "preliminary" })).toBe("preliminary");
  expect(observationStatus("S", { unverified: "preliminary" })).toBeUndefined();
});
