import { describe, expect, test } from "vitest";
import type { MeasureCode } from "../../src/domain/adherence.ts";
import { measureSegments, measuresOf, sessionsCompletedByPart } from "../../src/domain/measures.ts";
import type { Picture } from "../../src/domain/picture.ts";
import type { SettingsProfile } from "../../src/domain/prescription.ts";
import { everySession, examplePicture, examplePlan, exampleSession } from "./example-picture.ts";

const [usual] = examplePlan().profiles as [SettingsProfile];
const first = "2026-03-01";
const end = "2026-03-15";

function measured(code: MeasureCode, over: Partial<Picture>) {
  const found = measuresOf(examplePicture(over), first, end).find((one) => one.code === code);
  return found && [found.numerator, found.denominator, found.eligible];
}

test("every measure is there, in the same order, over the window asked", () => {
  const measures = measuresOf(examplePicture(), first, end);
  expect(measures.map(({ code, counts }) => [code, counts])).toEqual([
    ["days-used", "days"],
    ["sessions-completed", "slots"],
    ["sessions-recorded", "slots"],
    ["dose", "cycles"],
    ["settings-concordance", "sessions"],
    ["all-facets", "days"],
  ]);
  for (const measure of measures) expect([measure.firstDay, measure.endDay]).toEqual([first, end]);
});

describe("sessions-recorded", () => {
  test("counts what goes beyond the ask, so it may pass 1", () => {
    const more = ["10:00", "14:00"].map((hour) => exampleSession(`2026-03-05T${hour}`));
    const sessions = [...everySession(first, end), ...more];
    expect(measured("sessions-recorded", { sessions })).toEqual([30, 28, 28]);
    expect(measured("sessions-completed", { sessions })).toEqual([28, 28, 28]);
  });

  test("leaves out sessions of days that ask for nothing", () => {
    const absences = [{ sourceId: "e", kind: "hospital" as const, firstDay: "2026-03-05", endDay: "2026-03-06" }];
    expect(measured("sessions-recorded", { sessions: everySession(first, end), absences })).toEqual([26, 26, 26]);
  });
});

describe("dose", () => {
  test("is absent where the plan states no sets and cycles", () => {
    const measure = measuresOf(examplePicture({ sessions: everySession(first, end) }), first, end)[3];
    expect(measure).toMatchObject({ code: "dose", eligible: 0, absentReason: "nothing-asked" });
  });

  test("adds up what each day delivered of what was prescribed", () => {
    const plans = [examplePlan({ profiles: [{ ...usual, cyclesPerSet: 10, setsPerSession: 3 }] })];
    // 20 cycles a session, 30 prescribed.
    expect(measured("dose", { plans, sessions: everySession(first, end) })).toEqual([28 * 20, 28 * 30, 28 * 30]);
  });
});

describe("settings-concordance", () => {
  test("is of the sessions that can be compared; those that cannot lower its coverage, not its ratio", () => {
    const sessions = [
      exampleSession("2026-03-02T08:00", { setInsufflationPressureCmH2O: 40 }),
      exampleSession("2026-03-03T08:00", { setInsufflationPressureCmH2O: 50 }),
      exampleSession("2026-03-04T08:00"),
    ];
    expect(measured("settings-concordance", { sessions })).toEqual([1, 2, 3]);
  });
});

test("all-facets is never higher than sessions-completed on the same days (Benoit 2020, Respir Care 65:1831)", () => {
  const sessions = everySession(first, end)
    .slice(3)
    .map((session, i) => ({ ...session, setInsufflationPressureCmH2O: i % 5 === 0 ? 50 : 40 }));
  const measures = measuresOf(examplePicture({ sessions }), first, end);
  const ratio = (code: MeasureCode) => measures.find((one) => one.code === code)?.ratio ?? Number.NaN;
  expect(ratio("all-facets")).toBeLessThan(ratio("sessions-completed"));
  expect(ratio("all-facets")).toBeLessThan(ratio("days-used"));
});

describe("a change of plan splits the window", () => {
  const plans = [
    examplePlan({ planId: "old", endDay: "2026-03-06", status: "completed" }),
    examplePlan({
      planId: "new",
      firstDay: "2026-03-08",
      profiles: [{ ...usual, schedule: { kind: "count", timesPerDay: 3 } }],
    }),
  ];
  const picture = examplePicture({ plans, sessions: everySession(first, end) });

  test("into runs of days with one plan or none", () => {
    expect(
      measureSegments(picture, first, end).map(({ planId, firstDay, endDay }) => [planId, firstDay, endDay]),
    ).toEqual([
      ["old", "2026-03-01", "2026-03-06"],
      [undefined, "2026-03-06", "2026-03-08"],
      ["new", "2026-03-08", "2026-03-15"],
    ]);
  });

  test("whose counts add up to those of the whole", () => {
    const segments = measureSegments(picture, first, end);
    measuresOf(picture, first, end).forEach((whole, i) => {
      for (const count of ["numerator", "denominator", "eligible"] as const) {
        expect(segments.reduce((sum, segment) => sum + (segment.measures[i]?.[count] ?? 0), 0)).toBe(whole[count]);
      }
    });
  });
});

describe("sessions-completed by day part", () => {
  test("tells a missed evening from a missed morning", () => {
    const sessions = everySession(first, end).filter((session) => session.dayPart === "morning");
    expect(
      sessionsCompletedByPart(examplePicture({ sessions }), first, end).map(({ part, numerator, denominator }) => [
        part,
        numerator,
        denominator,
      ]),
    ).toEqual([
      ["morning", 14, 14],
      ["evening", 0, 14],
    ]);
  });

  test("has no row for a part that nobody asked for, and none for a bare count", () => {
    const asked = (schedule: SettingsProfile["schedule"]) => [examplePlan({ profiles: [{ ...usual, schedule }] })];
    const parts = (plans: Picture["plans"]) =>
      sessionsCompletedByPart(examplePicture({ plans }), first, end).map((one) => one.part);
    expect(parts(asked({ kind: "day-parts", parts: ["evening"] }))).toEqual(["evening"]);
    expect(parts(asked({ kind: "count", timesPerDay: 2 }))).toEqual([]);
  });
});
