import { expect, test } from "vitest";
import type { MachineUse } from "../../../src/domain/device.ts";
import { addDays } from "../../../src/domain/local-day.ts";
import type { Picture } from "../../../src/domain/picture.ts";
import { deviceIdle } from "../../../src/domain/rules/device-idle.ts";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { examplePicture, exampleSession, instant } from "../example-picture.ts";

// Today is 15 March 2026, a London noon; 60 full days before it begin on 14 January. Sixty is a choice of this service,
// no published source. The memory was read at six this morning, all of it since New Year.
const lastUsed = (day: string): Partial<Picture> => ({
  machineUses: [use({ lastSessionStartMs: instant(`${day}T08:00`) })],
});

function use(over: Partial<MachineUse> = {}): MachineUse {
  return {
    useId: "use-1",
    deviceId: "machine-1",
    patientId: "patient-1",
    startMs: instant("2026-01-01T00:00"),
    ...over,
  };
}

function found(over: Partial<Picture>) {
  return findingsOf(deviceIdle, examplePicture(over));
}

function readUntil(day: string): Partial<Picture> {
  const [startMs, endMs] = [instant("2026-01-01T00:00"), instant(`${day}T06:00`)];
  return { coverage: [{ deviceId: "machine-1", uploadId: "upload-1", startMs, endMs }] };
}

test.each([
  ["2026-01-13", 1],
  ["2026-01-14", 0],
])("a machine last used on %s, 60 or 59 full days before today, gives %d findings", (day, count) => {
  expect(found(lastUsed(day))).toHaveLength(count);
});

test("a session after midnight counts to the evening before, as everywhere", () => {
  expect(found({ machineUses: [use({ lastSessionStartMs: instant("2026-01-14T03:59") })] })).toHaveLength(1);
  expect(found({ machineUses: [use({ lastSessionStartMs: instant("2026-01-14T04:00") })] })).toEqual([]);
});

test.each([
  ["2026-01-14T04:00", 1],
  ["2026-01-14T04:01", 0],
])("a machine never used since its handover at %s gives %d findings", (start, count) => {
  expect(found({ machineUses: [use({ startMs: instant(start) })] })).toHaveLength(count);
});

test("what was read says that the records show no use, that it could serve someone else, and never that it was not used", () => {
  const [finding] = found(lastUsed("2026-01-10"));
  expect(finding).toMatchObject({
    subject: "Device/machine-1",
    severity: "review",
    // 11 January to 11 March are sixty days.
    sinceDay: "2026-03-12",
    text: "Since the last recorded session on 10 January 2026, 60 days or more not counting explained absences, the records show no use of the device. It could serve someone else. What was not read is not known.",
  });
  expect(JSON.stringify(finding)).not.toMatch(/not used|unused/);
});

test("the words and the day since when stay while the machine stays idle", () => {
  const perDay = [0, 1, 2].map((later) => {
    const today = addDays("2026-03-15", later);
    return found({ ...lastUsed("2026-01-10"), ...readUntil(today), today, nowMs: instant(`${today}T12:00`) });
  });
  expect(perDay[0]).toHaveLength(1);
  expect(new Set(perDay.map((one) => JSON.stringify(one))).size).toBe(1);
});

test.each([
  // 14 January to 12 February are thirty days: read in full once 13 February, 04:00, is reached.
  ["2026-02-13", 1],
  ["2026-02-12", 0],
])(
  "a memory read until %s, so half or less of the days, gives %d findings: an unknown day is not an idle one",
  (day, count) => {
    expect(found({ ...lastUsed("2026-01-05"), ...readUntil(day) })).toHaveLength(count);
  },
);

test("a machine that nobody ever read is not idle, and the steps say why", () => {
  const [examined] = deviceIdle.examine(examplePicture({ ...lastUsed("2026-01-05"), coverage: [] }));
  expect(examined?.finding).toBeUndefined();
  expect(examined?.steps.map((step) => [step.name, step.holds, step.value])).toEqual([
    ["no-return-recorded", true, undefined],
    ["idle-days", true, 68],
    ["days-read", false, 0],
  ]);
});

test("a reading of the other machine says nothing about this one, and its sessions are no use of this one", () => {
  const machineUses = [use(), use({ useId: "use-2", deviceId: "machine-2" })];
  const session = exampleSession("2026-03-14T08:00", { deviceId: "machine-2" });
  const coverage = ["machine-1", "machine-2"].map((deviceId) => ({
    deviceId,
    uploadId: `upload-of-${deviceId}`,
    startMs: instant("2026-01-01T00:00"),
    endMs: instant("2026-03-15T06:00"),
  }));
  expect(found({ machineUses, sessions: [session], coverage }).map((one) => one.subject)).toEqual(["Device/machine-1"]);
  expect(found({ machineUses, sessions: [session], coverage: coverage.slice(1) })).toEqual([]);
});

test("a session of the window counts as use although the machine's note lacks it; a test on the bench does not", () => {
  const session = exampleSession("2026-03-01T08:00");
  expect(found({ ...lastUsed("2026-01-05"), sessions: [session] })).toEqual([]);
  expect(found({ ...lastUsed("2026-01-05"), sessions: [{ ...session, test: true }] })).toHaveLength(1);
});

test("use of the same machine before this handover is not use since", () => {
  const again = use({ startMs: instant("2026-01-10T00:00"), lastSessionStartMs: instant("2026-01-09T08:00") });
  expect(found({ machineUses: [again] })).toMatchObject([{ evidence: [{ name: "handed-over" }] }]);
});

test.each(["hospital", "holiday", "device-away"] as const)(
  "days of %s are left out, so one of them moves the window by one",
  (kind) => {
    const oneDay = { sourceId: "stay", kind, firstDay: "2026-02-01", endDay: "2026-02-02" };
    expect(found({ ...lastUsed("2026-01-13"), absences: [oneDay] })).toEqual([]);
    expect(found({ ...lastUsed("2026-01-12"), absences: [oneDay] })).toHaveLength(1);
  },
);

test("held days of the plan are left out; days without any plan are not", () => {
  const [plan] = examplePicture().plans;
  if (plan === undefined) throw new Error("The example has a plan.");
  const held = { ...plan, holds: [{ firstDay: "2026-02-01", endDay: "2026-02-02" }] };
  expect(found({ ...lastUsed("2026-01-13"), plans: [held] })).toEqual([]);
  expect(found({ ...lastUsed("2026-01-13"), plans: [] })).toHaveLength(1);
});

test("a day in hospital is explained although no plan was in force on it", () => {
  const absences = [{ sourceId: "stay", kind: "hospital" as const, firstDay: "2026-02-01", endDay: "2026-02-02" }];
  expect(found({ ...lastUsed("2026-01-13"), plans: [], absences })).toEqual([]);
});

test("a machine whose return is on its way, or that went back, is nobody's idle machine", () => {
  const lastSessionStartMs = instant("2026-01-05T08:00");
  const coming = use({ lastSessionStartMs, endMs: instant("2026-03-20T09:00") });
  const [examined] = deviceIdle.examine(examplePicture({ machineUses: [coming] }));
  expect(examined?.steps).toMatchObject([
    { holds: false, text: "The return of the device is recorded for 20 March 2026." },
  ]);
  expect(
    deviceIdle.examine(examplePicture({ machineUses: [{ ...coming, endMs: instant("2026-03-14T09:00") }] })),
  ).toEqual([]);
});
