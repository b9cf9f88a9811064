import { describe, expect, test } from "vitest";
import type { Picture } from "../../../src/domain/picture.ts";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { infectionCourse } from "../../../src/domain/rules/infection-course.ts";
import { examplePicture, examplePlan, exampleSession } from "../example-picture.ts";

const infection = (firstDay: string, endDay?: string) => ({
  conditionId: "condition-1",
  firstDay,
  ...(endDay !== undefined && { endDay }),
});
const found = (over: Partial<Picture>) =>
  findingsOf(infectionCourse, examplePicture(over)).map(({ subject, severity }) => [subject, severity]);

describe("a chest infection on record", () => {
  test("of fourteen full days is not told, of fifteen it is", () => {
    expect(found({ infections: [infection("2026-03-01")] })).toEqual([]);
    expect(found({ infections: [infection("2026-02-28")] })).toEqual([["Condition/condition-1", "review"]]);
  });

  test("has the same words on every day that it goes on", () => {
    const text = (firstDay: string, today: string) =>
      findingsOf(infectionCourse, examplePicture({ infections: [infection(firstDay)], today }))[0]?.text;
    expect(text("2026-02-01", "2026-03-15")).toBe(text("2026-02-01", "2026-03-10"));
  });

  test("that is over is information for fourteen days, with the parts to be replaced", () => {
    const over = findingsOf(infectionCourse, examplePicture({ infections: [infection("2026-02-01", "2026-03-02")] }));
    expect(over).toMatchObject([{ severity: "information", sinceDay: "2026-03-02" }]);
    expect(over[0]?.text).toContain("To be replaced after it: patient circuit.");
    expect(found({ infections: [infection("2026-02-01", "2026-03-01")] })).toEqual([]);
  });

  test("that begins later is nothing yet", () => {
    expect(found({ infections: [infection("2026-03-20")] })).toEqual([]);
  });
});

describe("the profile for a chest infection", () => {
  const [usual] = examplePlan().profiles;
  const plans = [
    examplePlan({
      profiles: [
        { ...usual, profileId: "usual", role: "usual", slot: "1", schedule: { kind: "count", timesPerDay: 2 } },
        { profileId: "ill", role: "chest-infection", slot: "2", schedule: { kind: "when-needed" } },
      ],
    }),
  ];
  const used = (...days: string[]) => days.map((day) => exampleSession(`${day}T14:00`, { profileSlot: "2" }));

  test("in use over more than fourteen days with no infection on record is told", () => {
    expect(found({ plans, sessions: used("2026-02-27", "2026-03-13") })).toEqual([]);
    expect(found({ plans, sessions: used("2026-02-27", "2026-03-14") })).toEqual([["therapy", "review"]]);
  });

  test("during an infection on record it is as it must be", () => {
    const infections = [infection("2026-03-05")];
    expect(found({ plans, sessions: used("2026-02-27", "2026-03-14"), infections })).toEqual([]);
  });

  test("used on a day after the infection was over is told, on its last day it is not", () => {
    const infections = [infection("2026-02-20", "2026-03-05")];
    const therapy = (...days: string[]) =>
      found({ plans, sessions: used(...days), infections }).filter(([subject]) => subject === "therapy");
    expect(therapy("2026-03-04")).toEqual([]);
    expect(therapy("2026-03-04", "2026-03-05")).toEqual([["therapy", "review"]]);
  });

  test("after an infection of long ago is told like any other use of it", () => {
    const infections = [infection("2025-11-01", "2025-11-20")];
    expect(found({ plans, sessions: used("2026-03-13"), infections })).toEqual([]);
    expect(found({ plans, sessions: used("2026-02-27", "2026-03-14"), infections })).toEqual([["therapy", "review"]]);
  });

  test("has the same words while its use goes on", () => {
    const text = (...days: string[]) =>
      findingsOf(infectionCourse, examplePicture({ plans, sessions: used(...days) }))[0]?.text;
    expect(text("2026-02-20", "2026-03-12")).toBe(text("2026-02-20", "2026-03-12", "2026-03-14"));
  });

  test("in a slot that the usual profile shares cannot be told from it", () => {
    const shared = [examplePlan({ profiles: plans[0]?.profiles.map((profile) => ({ ...profile, slot: "2" })) ?? [] })];
    expect(found({ plans: shared, sessions: used("2026-02-20", "2026-03-14") })).toEqual([]);
  });
});
