import { describe, expect, test } from "vitest";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { lowUse } from "../../../src/domain/rules/low-use.ts";
import { everySession, examplePicture, examplePlan, exampleSession, instant } from "../example-picture.ts";

// 28 sessions are asked for in the 14 days from 1 to 14 March.
const fourteen = everySession("2026-03-08", "2026-03-15");

test("14 of 28 asked sessions are not under one half", () => {
  expect(findingsOf(lowUse, examplePicture({ sessions: fourteen }))).toEqual([]);
});

test("13 of 28 asked sessions are, and the numbers are told", () => {
  const [finding] = findingsOf(lowUse, examplePicture({ sessions: fourteen.slice(1) }));
  expect(finding).toMatchObject({
    rule: "low-use",
    subject: "therapy",
    severity: "review",
    safety: false,
    text: "Recorded use: 13 of 28 asked sessions (46 %) in the 14 days up to 14 March 2026; the threshold is 50 %. Records were read for 100 % of the 28 sessions asked for.",
    focus: "CarePlan/plan-1",
  });
  expect(finding?.evidence.map(({ name, value }) => [name, value])).toEqual([
    ["sessions-done", 13],
    ["sessions-asked-known", 28],
    ["sessions-asked", 28],
  ]);
});

test("today's sessions do not count before the day is over", () => {
  const sessions = [...fourteen.slice(1), exampleSession("2026-03-15T08:00")];
  expect(findingsOf(lowUse, examplePicture({ sessions }))).toHaveLength(1);
});

test("a second morning session does not make up for a missed evening", () => {
  const sessions = [...fourteen.slice(1), exampleSession("2026-03-14T09:00"), exampleSession("2026-03-13T09:00")];
  expect(findingsOf(lowUse, examplePicture({ sessions }))).toHaveLength(1);
});

describe("too little read to tell", () => {
  const readUntil = (end: string) => [
    { deviceId: "machine-1", uploadId: "upload-1", startMs: instant("2026-01-01T00:00"), endMs: instant(end) },
  ];

  test("with 7 of 14 days read there is a finding", () => {
    expect(findingsOf(lowUse, examplePicture({ coverage: readUntil("2026-03-08T04:00") }))).toHaveLength(1);
  });

  test("with 6 of 14 days read there is none", () => {
    expect(findingsOf(lowUse, examplePicture({ coverage: readUntil("2026-03-08T03:59") }))).toEqual([]);
  });
});

test("a new starter gets the whole window before anyone is asked to look", () => {
  const began = (firstDay: string) => examplePicture({ plans: [examplePlan({ firstDay })] });
  expect(findingsOf(lowUse, began("2026-03-01"))).toHaveLength(1);
  expect(findingsOf(lowUse, began("2026-03-02"))).toEqual([]);
});

test("days in hospital are left out of the measure", () => {
  const absences = [
    { sourceId: "Encounter/1", kind: "hospital" as const, firstDay: "2026-03-01", endDay: "2026-03-08" },
  ];
  expect(findingsOf(lowUse, examplePicture({ sessions: fourteen.slice(1), absences }))).toEqual([]);
});

describe("since when", () => {
  test("it is the first day on which the window fell under the threshold", () => {
    // All used until 5 March, nothing since: the 14 days before 13 March hold 7 used days, those before 14 March only 6.
    const sessions = everySession("2026-02-01", "2026-03-06");
    expect(findingsOf(lowUse, examplePicture({ sessions }))[0]?.sinceDay).toBe("2026-03-14");
    expect(
      findingsOf(lowUse, examplePicture({ sessions, today: "2026-03-13", nowMs: instant("2026-03-13T12:00") })),
    ).toEqual([]);
  });

  test("it goes no further back than the picture does", () => {
    expect(findingsOf(lowUse, examplePicture())[0]?.sinceDay).toBe("2026-03-01");
  });
});

describe("why it is not found", () => {
  const steps = (over: Parameters<typeof examplePicture>[0]) =>
    lowUse.examine(examplePicture(over)).flatMap((one) => one.steps.map(({ name, holds }) => [name, holds]));

  test("enough was recorded", () => {
    expect(steps({ sessions: fourteen })).toEqual([
      ["in-place", true],
      ["coverage", true],
      ["share-done", false],
    ]);
  });

  test("too little was read to tell", () => {
    expect(steps({ coverage: [] })).toEqual([
      ["in-place", true],
      ["coverage", false],
    ]);
  });

  test("the therapy had not begun when the window did", () => {
    expect(steps({ plans: [examplePlan({ firstDay: "2026-03-02" })] })).toEqual([["in-place", false]]);
  });
});
