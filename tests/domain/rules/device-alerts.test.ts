import { expect, test } from "vitest";
import type { RecordedAlert } from "../../../src/domain/alert.ts";
import { addDays } from "../../../src/domain/local-day.ts";
import type { Picture } from "../../../src/domain/picture.ts";
import { deviceAlerts } from "../../../src/domain/rules/device-alerts.ts";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { examplePicture, instant } from "../example-picture.ts";

function alertOn(localDay: string, code = "L-12", over: Partial<RecordedAlert> = {}): RecordedAlert {
  return {
    observationId: `alert-${code}-${localDay}`,
    patientId: "patient-1",
    deviceId: "machine-1",
    code,
    atMs: instant(`${localDay}T08:05`),
    localDay,
    ...over,
  };
}

function found(alerts: RecordedAlert[], over: Partial<Picture> = {}) {
  return findingsOf(deviceAlerts, examplePicture({ alerts, ...over }));
}

// Three of seven days is a choice of this service, no published source. Today is 15 March, so the window begins on the 9th.
test.each([
  [["2026-03-09", "2026-03-12", "2026-03-15"], 1],
  [["2026-03-08", "2026-03-12", "2026-03-15"], 0],
  [["2026-03-12", "2026-03-15"], 0],
  [["2026-03-13", "2026-03-14", "2026-03-15"], 1],
])("the same code on %j gives %d findings", (days, count) => {
  expect(found(days.map((day) => alertOn(day)))).toHaveLength(count);
});

test("many alerts on two days are two days", () => {
  const alerts = [1, 2, 3, 4].flatMap((minute) => [
    alertOn("2026-03-14", "L-12", { observationId: `a-${minute}` }),
    alertOn("2026-03-15", "L-12", { observationId: `b-${minute}` }),
  ]);
  expect(found(alerts)).toEqual([]);
});

test("three codes on a day each are no code that comes again", () => {
  expect(found([alertOn("2026-03-13", "A"), alertOn("2026-03-14", "B"), alertOn("2026-03-15", "C")])).toEqual([]);
});

test("of several codes the most frequent comes first, all are named, and the device has one finding", () => {
  const days = ["2026-03-12", "2026-03-13", "2026-03-14", "2026-03-15"];
  const findings = found([
    ...days.slice(1).map((day) => alertOn(day, "A-1")),
    ...days.map((day) => alertOn(day, "Z-9")),
    alertOn("2026-03-15", "rare"),
  ]);
  expect(findings).toHaveLength(1);
  expect(findings[0]?.text).toBe(
    'The device recorded the same alert code on 3 or more of 7 days: "Z-9" (last on 15 March 2026), "A-1" (last on 15 March 2026). The code is the device\'s own; this service does not know how grave it is. Look it up in the device\'s manual.',
  );
  expect(findings[0]?.evidence.map((one) => one.reference)).toEqual([
    "Observation/alert-Z-9-2026-03-15",
    "Observation/alert-A-1-2026-03-15",
  ]);
});

test("alerts of another machine, or from before the patient had this one, do not count", () => {
  const days = ["2026-03-13", "2026-03-14", "2026-03-15"];
  expect(found(days.map((day) => alertOn(day, "L-12", { deviceId: "machine-2" })))).toEqual([]);
  const machineUses = examplePicture().machineUses.map((use) => ({ ...use, startMs: instant("2026-03-13T08:06") }));
  expect(
    found(
      days.map((day) => alertOn(day)),
      { machineUses },
    ),
  ).toEqual([]);
});

test("while no alert is added the words stay, and so does the day since when, until it clears", () => {
  const alerts = ["2026-03-10", "2026-03-11", "2026-03-12", "2026-03-13"].map((day) => alertOn(day));
  const perDay = [0, 1, 2, 3].map((later) => {
    const today = addDays("2026-03-15", later);
    return found(alerts, { today, nowMs: instant(`${today}T12:00`) });
  });
  expect(perDay.map((findings) => findings.length)).toEqual([1, 1, 1, 0]);
  expect(new Set(perDay.slice(0, 3).map((one) => JSON.stringify(one))).size).toBe(1);
  // The third day with the code was the 12th.
  expect(perDay[0]?.[0]?.sinceDay).toBe("2026-03-12");
});

test("a device without alerts has one step, which says so", () => {
  expect(deviceAlerts.examine(examplePicture())).toMatchObject([
    {
      subject: "Device/machine-1",
      steps: [{ text: "No alert of the device is recorded in the last 7 days.", holds: false, value: 0, threshold: 3 }],
    },
  ]);
});
