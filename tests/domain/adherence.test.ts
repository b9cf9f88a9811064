import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { band, bandNote, bandSource, daysUsed, sessionsCompleted } from "../../src/domain/adherence.ts";
import { type DayState, dayStates } from "../../src/domain/day-state.ts";
import type { Picture } from "../../src/domain/picture.ts";
import type { Session } from "../../src/domain/session.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";

const thresholds = { minimumCoverageShare: 0.5, version: "test-1" };
const instant = (text: string) => Temporal.ZonedDateTime.from(`${text}[Europe/London]`).epochMilliseconds;
const dayOfFebruary = (number: number) => `2026-02-${String(number).padStart(2, "0")}`;

function session(day: number, dayPart: "morning" | "evening", sessionId: string): Session {
  const startMs = instant(`${dayOfFebruary(day)}T${dayPart === "morning" ? "08:00" : "20:00"}`);
  return {
    sessionId,
    patientId: "patient-1",
    deviceId: "device-1",
    startMs,
    endMs: startMs + 600_000,
    deviceStart: `${dayOfFebruary(day)}T08:00:00`,
    localDay: dayOfFebruary(day),
    dayPart,
    readMs: instant("2026-02-27T04:00"),
    recordDigest: "00",
  };
}

/** 28 days of February: issued on the 3rd, in hospital from the 10th to the 13th, read up to the end of the 26th. */
function february(sessions: readonly Session[]): Picture {
  return {
    patientId: "patient-1",
    zone: "Europe/London",
    nowMs: instant("2026-03-01T12:00"),
    today: "2026-03-01",
    tracheostomy: false,
    plans: [
      {
        planId: "plan-1",
        status: "active",
        firstDay: "2026-01-15",
        holds: [],
        profiles: [{ profileId: "p-1", role: "usual", schedule: { kind: "day-parts", parts: ["morning", "evening"] } }],
      },
    ],
    sessions,
    machineUses: [
      { useId: "use-1", deviceId: "device-1", patientId: "patient-1", startMs: instant("2026-02-03T07:00") },
    ],
    coverage: [
      { deviceId: "device-1", uploadId: "u", startMs: instant("2026-02-01T00:00"), endMs: instant("2026-02-27T04:00") },
    ],
    parts: [],
    contraindications: [],
    absences: [{ sourceId: "encounter-1", kind: "hospital", firstDay: dayOfFebruary(10), endDay: dayOfFebruary(14) }],
    infections: [],
    screenings: [],
    alerts: [],
    clockChecks: [],
    tasks: [],
    thresholds: defaultThresholds,
  };
}

function statesOf(sessions: readonly Session[]): DayState[] {
  return dayStates(february(sessions), "2026-02-01", "2026-03-01");
}

const both = (day: number) => [session(day, "morning", `${day}-m`), session(day, "evening", `${day}-e`)];

describe("the worked example (own construction): 28 days, two a day, 22 eligible, 20 known", () => {
  const sessions = [
    ...[3, 4, 5, 6, 7, 8, 9, 14, 15, 16, 17].flatMap(both),
    ...[18, 19, 20, 21].map((day) => session(day, "morning", `${day}-m`)),
    ...[3, 4, 5, 18, 19].map((day) => session(day, "morning", `${day}-m-again`)),
  ];
  const days = statesOf(sessions);

  test("days-used is 75.0 % with a coverage of 90.9 %", () => {
    const measure = daysUsed(days, "2026-02-01", "2026-03-01", thresholds);
    expect(measure).toEqual({
      code: "days-used",
      counts: "days",
      firstDay: "2026-02-01",
      endDay: "2026-03-01",
      numerator: 15,
      denominator: 20,
      eligible: 22,
      coverage: 20 / 22,
      ratio: 0.75,
      bounds: { lowest: 15 / 22, highest: 17 / 22 },
      ruleVersion: "test-1",
    });
    expect((100 * (measure.coverage ?? 0)).toFixed(1)).toBe("90.9");
  });

  test("sessions-completed is 65.0 %: 26 of 40 known slots, 44 eligible", () => {
    const measure = sessionsCompleted(days, "2026-02-01", "2026-03-01", thresholds);
    expect(measure).toMatchObject({ numerator: 26, denominator: 40, eligible: 44, ratio: 0.65, coverage: 40 / 44 });
    expect(measure.bounds).toEqual({ lowest: 26 / 44, highest: 30 / 44 });
  });

  test("all 31 sessions are on the days, extra ones included", () => {
    expect(days.reduce((sum, day) => sum + day.sessions, 0)).toBe(31);
  });
});

describe("a share that would mislead is left out", () => {
  test("nothing asked has no coverage and no bounds", () => {
    const measure = sessionsCompleted(statesOf([]), "2026-02-10", "2026-02-14", thresholds);
    expect(measure).toMatchObject({ eligible: 0, absentReason: "nothing-asked" });
    expect([measure.ratio, measure.coverage, measure.bounds]).toEqual([undefined, undefined, undefined]);
  });

  test("nothing known may still be anything from none to all", () => {
    const measure = daysUsed(statesOf([]), "2026-02-27", "2026-03-01", thresholds);
    expect(measure).toMatchObject({ coverage: 0, absentReason: "nothing-known", bounds: { lowest: 0, highest: 1 } });
    expect(measure.ratio).toBeUndefined();
  });

  test("coverage of exactly a half is enough, less is not", () => {
    const half = daysUsed(statesOf([]), "2026-02-25", "2026-03-01", thresholds);
    expect(half).toMatchObject({ coverage: 0.5, ratio: 0 });
    expect(half.absentReason).toBeUndefined();
    const less = daysUsed(statesOf([]), "2026-02-26", "2026-03-01", thresholds);
    expect(less).toMatchObject({
      coverage: 1 / 3,
      absentReason: "low-coverage",
      bounds: { lowest: 0, highest: 2 / 3 },
    });
    expect(less.ratio).toBeUndefined();
  });
});

test("days-used without exclusions is the definition of Chatwin & Simonds 2020: days with any use out of all days", () => {
  const sessions = [14, 15, 16].flatMap(both);
  const measure = daysUsed(statesOf(sessions), "2026-02-14", "2026-02-19", thresholds);
  expect(measure).toMatchObject({ numerator: 3, denominator: 5, ratio: 0.6, coverage: 1 });
});

describe("bands", () => {
  test.each([
    [0, "low"],
    [0.3499, "low"],
    [0.35, "moderate"],
    [0.355, "moderate"],
    [0.7999, "moderate"],
    [0.8, "high"],
    [1, "high"],
  ])("%d is %s, so that the paper's gaps at 35-36 %% and 79-80 %% are closed", (ratio, expected) => {
    expect(band(ratio)).toBe(expected);
  });

  test("name their source and that they are not validated for this therapy", () => {
    expect(bandSource).toContain("Respir Care 2019");
    expect(bandNote).toContain("Not validated");
  });
});

describe("laws", () => {
  const anySessions = fc
    .array(fc.tuple(fc.integer({ min: 1, max: 28 }), fc.constantFrom("morning" as const, "evening" as const)), {
      maxLength: 50,
    })
    .map((list) => list.map(([day, part], index) => session(day, part, `s-${index}`)));
  const anyCut = fc.integer({ min: 1, max: 28 }).map(dayOfFebruary);

  test("splitting a window never changes a sum", () => {
    fc.assert(
      fc.property(anySessions, anyCut, (sessions, cut) => {
        const days = statesOf(sessions);
        for (const measureOf of [daysUsed, sessionsCompleted]) {
          const whole = measureOf(days, "2026-02-01", "2026-03-01", thresholds);
          const before = measureOf(days, "2026-02-01", cut, thresholds);
          const after = measureOf(days, cut, "2026-03-01", thresholds);
          expect(before.numerator + after.numerator).toBe(whole.numerator);
          expect(before.denominator + after.denominator).toBe(whole.denominator);
          expect(before.eligible + after.eligible).toBe(whole.eligible);
        }
      }),
    );
  });

  test("one more qualifying session never lowers a share, on a known day or an unknown one", () => {
    const one = fc.tuple(fc.integer({ min: 1, max: 28 }), fc.constantFrom("morning" as const, "evening" as const));
    fc.assert(
      fc.property(anySessions, one, (sessions, [day, part]) => {
        const more = [...sessions, session(day, part, "one-more")];
        for (const measureOf of [daysUsed, sessionsCompleted]) {
          const before = measureOf(statesOf(sessions), "2026-02-01", "2026-03-01", thresholds);
          const after = measureOf(statesOf(more), "2026-02-01", "2026-03-01", thresholds);
          expect(after.ratio ?? 0).toBeGreaterThanOrEqual(before.ratio ?? 0);
          expect(after.bounds?.lowest ?? 0).toBeGreaterThanOrEqual(before.bounds?.lowest ?? 0);
        }
      }),
    );
  });

  test("the bounds contain the share", () => {
    fc.assert(
      fc.property(anySessions, (sessions) => {
        for (const measureOf of [daysUsed, sessionsCompleted]) {
          const { ratio, bounds } = measureOf(statesOf(sessions), "2026-02-01", "2026-03-01", thresholds);
          expect(bounds?.lowest).toBeLessThanOrEqual(ratio ?? Number.NaN);
          expect(bounds?.highest).toBeGreaterThanOrEqual(ratio ?? Number.NaN);
        }
      }),
    );
  });
});
