import { describe, expect, test } from "vitest";
import type { Picture } from "../../../src/domain/picture.ts";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { noRecentRecord } from "../../../src/domain/rules/no-recent-record.ts";
import { examplePicture, examplePlan, exampleSession, instant } from "../example-picture.ts";

/** The machine was last read on a day at ten in the morning. */
function lastRead(day: string, over: Partial<Picture> = {}): Picture {
  const coverage = [
    {
      deviceId: "machine-1",
      uploadId: "upload-9",
      startMs: instant("2026-01-01T00:00"),
      endMs: instant(`${day}T10:00`),
    },
  ];
  return examplePicture({ coverage, ...over });
}

test("13 days after the records end there is nothing to say", () => {
  expect(findingsOf(noRecentRecord, lastRead("2026-03-02"))).toEqual([]);
});

test("14 days after the records end we do not know, and say so", () => {
  const [finding] = findingsOf(noRecentRecord, lastRead("2026-03-01"));
  expect(finding).toMatchObject({
    subject: "therapy",
    severity: "review",
    safety: false,
    sinceDay: "2026-03-01",
    text: "The records end on 1 March 2026, 14 days or more ago, and no absence on record explains it. We do not know whether the therapy was used since.",
    focus: "Device/machine-1",
  });
  expect(finding?.evidence.map((one) => one.reference)).toEqual(["DocumentReference/upload-9", "Device/machine-1"]);
  expect(JSON.stringify(finding)).not.toContain("not used");
});

test("a later session is a record too, even one older than the picture", () => {
  const sessions = [exampleSession("2026-03-02T08:00")];
  expect(findingsOf(noRecentRecord, lastRead("2026-02-01", { sessions }))).toEqual([]);
  const lastSessionStartMs = instant("2026-01-10T08:00");
  const [finding] = findingsOf(noRecentRecord, examplePicture({ coverage: [], lastSessionStartMs }));
  expect(finding?.sinceDay).toBe("2026-01-10");
});

test("an upload that claims the future vouches for nothing after now", () => {
  const coverage = [
    { deviceId: "machine-1", uploadId: "u", startMs: instant("2026-03-16T00:00"), endMs: instant("2027-01-01T00:00") },
  ];
  expect(findingsOf(noRecentRecord, examplePicture({ coverage }))).toHaveLength(1);
});

test("a machine never read counts from its handover", () => {
  const from = (start: string) =>
    examplePicture({
      coverage: [],
      machineUses: [{ useId: "use-1", deviceId: "machine-1", patientId: "patient-1", startMs: instant(start) }],
    });
  expect(findingsOf(noRecentRecord, from("2026-03-02T10:00"))).toEqual([]);
  expect(findingsOf(noRecentRecord, from("2026-03-01T10:00"))[0]?.text).toContain(
    "Nothing has been read from the machine since it was handed over on 1 March 2026",
  );
});

test("what the patient before left in the machine is no record of this one", () => {
  const startMs = instant("2026-03-01T10:00");
  const picture = lastRead("2026-03-01", {
    machineUses: [{ useId: "use-2", deviceId: "machine-1", patientId: "patient-1", startMs }],
  });
  const [finding] = findingsOf(noRecentRecord, picture);
  expect(finding?.evidence.map((one) => [one.name, one.reference])).toEqual([
    ["handed-over", undefined],
    ["machine", "Device/machine-1"],
  ]);
});

describe("explained", () => {
  const old = "2026-02-01";
  const away = (kind: "hospital" | "device-away" | "holiday", firstDay: string, endDay?: string) => ({
    absences: [{ sourceId: "Encounter/1", kind, firstDay, ...(endDay !== undefined && { endDay }) }],
  });

  test.each(["hospital", "device-away", "holiday"] as const)("by %s that lasts", (kind) => {
    expect(findingsOf(noRecentRecord, lastRead(old, away(kind, "2026-03-10")))).toEqual([]);
  });

  test("by a plan on hold, a returned machine, no plan, or death", () => {
    const held = examplePlan({ holds: [{ firstDay: "2026-03-01" }] });
    const use = { useId: "use-1", deviceId: "machine-1", patientId: "patient-1", startMs: instant("2026-01-01T00:00") };
    const returned = { machineUses: [{ ...use, endMs: instant("2026-03-14T10:00") }] };
    for (const over of [{ plans: [held] }, returned, { plans: [] }, { deceasedDay: "2026-03-14" }]) {
      expect(findingsOf(noRecentRecord, lastRead(old, over))).toEqual([]);
    }
  });

  test("days in hospital are taken off: back for 13 days is too early, for 14 it is not", () => {
    expect(findingsOf(noRecentRecord, lastRead(old, away("hospital", old, "2026-03-02")))).toEqual([]);
    expect(findingsOf(noRecentRecord, lastRead(old, away("hospital", old, "2026-03-01")))).toHaveLength(1);
  });
});

test("where there is none, the steps say until when the records reach and what explains it", () => {
  const names = (over: Parameters<typeof examplePicture>[0]) =>
    noRecentRecord.examine(examplePicture(over))[0]?.steps.map(({ name, holds }) => [name, holds]);
  expect(names({})).toEqual([
    ["records-end", true],
    ["nothing-explains-it", true],
    ["silent-days", false],
  ]);
  expect(names({ plans: [] })).toEqual([
    ["records-end", true],
    ["nothing-explains-it", false],
  ]);
  expect(names({ machineUses: [], coverage: [] })).toEqual([["records-end", false]]);
});
