import { validateResource } from "@medplum/core";
import type { DeviceUseStatement } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { deviceUseFacts, deviceUseStatement } from "../../src/fhir/device-use.ts";
import { extensionUrl } from "../../src/fhir/terminology/canonical.ts";

beforeAll(() => void createDefinitions({ types: "default" }));

const london = "Europe/London";
const handedOver = deviceUseStatement({ id: "u", deviceId: "d", patientId: "p", start: "2026-06-01" });

test("a handover by date starts with the local day and lasts until the machine is back", () => {
  expect(validateResource(handedOver)).toEqual([]);
  expect(deviceUseFacts(handedOver, london)).toEqual([
    // British summer time: midnight of 1 June is 23:00 UTC of 31 May.
    {
      kind: "device-use",
      use: { useId: "u", deviceId: "d", patientId: "p", startMs: Date.parse("2026-05-31T23:00:00Z") },
    },
  ]);
});

test("an end that is a date is still the person's day; one with a time ends there", () => {
  const until = (end: string) =>
    deviceUseFacts(deviceUseStatement({ id: "u", deviceId: "d", patientId: "p", start: "2026-01-01", end }), london)[0];
  expect(until("2026-01-10")).toMatchObject({ use: { endMs: Date.parse("2026-01-11T00:00:00Z") } });
  expect(until("2026-01-10T15:00:00Z")).toMatchObject({ use: { endMs: Date.parse("2026-01-10T15:00:00Z") } });
});

test("a completed use without an end ended when that was recorded", () => {
  const done: DeviceUseStatement = {
    ...handedOver,
    status: "completed",
    meta: { lastUpdated: "2026-06-05T10:00:00Z" },
  };
  expect(deviceUseFacts(done, london)[0]).toMatchObject({ use: { endMs: Date.parse("2026-06-05T10:00:00Z") } });
});

test("a session's own statement hands nothing over", () => {
  expect(deviceUseFacts({ ...handedOver, derivedFrom: [{ reference: "Observation/s" }] }, london)).toEqual([]);
});

test.each(["intended", "entered-in-error"] as const)("a use that is %s was none", (status) => {
  expect(deviceUseFacts({ ...handedOver, status }, london)).toEqual([]);
});

test("on hold means away: for the days stated, or from the day it was recorded", () => {
  const onHold: DeviceUseStatement = {
    ...handedOver,
    status: "on-hold",
    meta: { lastUpdated: "2026-06-05T10:00:00Z" },
  };
  const away = { sourceId: "u", kind: "device-away" };
  expect(deviceUseFacts(onHold, london)[1]).toEqual({
    kind: "absence",
    patientId: "p",
    absence: { ...away, firstDay: "2026-06-05" },
  });
  const stated = {
    ...onHold,
    extension: [{ url: extensionUrl("device-away"), valuePeriod: { start: "2026-06-03", end: "2026-06-04" } }],
  };
  expect(deviceUseFacts(stated, london)[1]).toEqual({
    kind: "absence",
    patientId: "p",
    absence: { ...away, firstDay: "2026-06-03", endDay: "2026-06-05" },
  });
});

test("a part reported soiled, or checked, carries the day of it; the last of several counts", () => {
  const reported = deviceUseStatement({
    id: "u",
    deviceId: "d",
    patientId: "p",
    start: "2026-06-01",
    soiledDay: "2026-06-20",
    checkedDay: "2026-06-15",
  });
  expect(validateResource(reported)).toEqual([]);
  expect(deviceUseFacts(reported, london)[0]).toMatchObject({
    use: { soiledDay: "2026-06-20", checkedDay: "2026-06-15" },
  });
  const checked = ["2026-06-18", "2026-06-10"].map((valueDate) => ({ url: extensionUrl("part-checked"), valueDate }));
  expect(deviceUseFacts({ ...reported, extension: checked }, london)[0]).toHaveProperty("use.checkedDay", "2026-06-18");
  expect(deviceUseFacts({ ...reported, extension: checked }, london)[0]).not.toHaveProperty("use.soiledDay");
});
