import fc from "fast-check";
import { describe, expect, test } from "vitest";
import type { Measure } from "../../src/domain/adherence.ts";
import { settleDay } from "../../src/domain/day-part.ts";
import { dayStates } from "../../src/domain/day-state.ts";
import { addDays, startOfDayMs } from "../../src/domain/local-day.ts";
import { measuresOf } from "../../src/domain/measures.ts";
import type { Picture } from "../../src/domain/picture.ts";
import type { Session } from "../../src/domain/session.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";
import { examplePicture, examplePlan, exampleSession, instant } from "./example-picture.ts";

const first = "2026-02-15";
const end = "2026-03-15";
const dayMs = 86_400_000;

const day = fc.integer({ min: 0, max: 27 }).map((count) => addDays(first, count));
const session = fc
  .record({
    day,
    hour: fc.integer({ min: 0, max: 23 }),
    cycles: fc.option(fc.integer({ min: 0, max: 60 })),
    pressure: fc.option(fc.constantFrom(35, 40, 45)),
  })
  .map(({ day: on, hour, cycles, pressure }): Session => {
    const { cyclesDelivered: _, ...bare } = exampleSession(`${on}T${String(hour).padStart(2, "0")}:00`);
    return {
      ...bare,
      ...(cycles !== null && { cyclesDelivered: cycles }),
      ...(pressure !== null && { setInsufflationPressureCmH2O: pressure }),
    };
  });
const sessions = fc.uniqueArray(session, { maxLength: 40, selector: (one) => one.sessionId });
const ranges = fc.array(fc.tuple(fc.integer({ min: 0, max: 28 }), fc.integer({ min: 1, max: 28 })), { maxLength: 4 });
const plans = fc.constantFrom(
  [examplePlan()],
  [examplePlan({ profiles: examplePlan().profiles.map((one) => ({ ...one, cyclesPerSet: 5, setsPerSession: 4 })) })],
  [
    examplePlan({ endDay: "2026-02-25", status: "completed" }),
    examplePlan({
      planId: "plan-2",
      firstDay: "2026-02-25",
      profiles: [
        {
          profileId: "two",
          role: "usual",
          schedule: { kind: "count", timesPerDay: 3 },
          cyclesPerSet: 6,
          setsPerSession: 2,
        },
      ],
    }),
  ],
);

function coverageOf(days: readonly (readonly [number, number])[]): Picture["coverage"] {
  const startMs = instant(`${first}T00:00`);
  return days.map(([from, length], i) => ({
    deviceId: "machine-1",
    uploadId: `upload-${i}`,
    startMs: startMs + from * dayMs,
    endMs: startMs + (from + length) * dayMs,
  }));
}

const world = fc.record({ sessions, plans, ranges });
const pictureOf = (of: {
  sessions: readonly Session[];
  plans: Picture["plans"];
  ranges: readonly (readonly [number, number])[];
}) => examplePicture({ sessions: of.sessions, plans: of.plans, coverage: coverageOf(of.ranges) });
const counts = ({ numerator, denominator, eligible }: Measure) => [numerator, denominator, eligible];

test("splitting a window never changes a sum", () => {
  fc.assert(
    fc.property(world, fc.integer({ min: 1, max: 27 }), (of, cut) => {
      const picture = pictureOf(of);
      const split = addDays(first, cut);
      const [left, right] = [measuresOf(picture, first, split), measuresOf(picture, split, end)];
      measuresOf(picture, first, end).forEach((whole, i) => {
        const [a, b] = [left[i], right[i]];
        if (a === undefined || b === undefined) throw new Error("a measure is missing");
        expect(counts(a).map((count, n) => count + (counts(b)[n] ?? 0))).toEqual(counts(whole));
      });
    }),
  );
});

test("the order of sessions changes nothing", () => {
  fc.assert(
    fc.property(
      world.chain((of) =>
        fc.tuple(fc.constant(of), fc.shuffledSubarray([...of.sessions], { minLength: of.sessions.length })),
      ),
      ([of, shuffled]) => {
        expect(measuresOf(pictureOf({ ...of, sessions: shuffled }), first, end)).toEqual(
          measuresOf(pictureOf(of), first, end),
        );
      },
    ),
  );
});

test("adding a qualifying session never lowers sessions-completed", () => {
  fc.assert(
    fc.property(world, session, (of, extra) => {
      fc.pre(!of.sessions.some((one) => one.sessionId === extra.sessionId) && extra.cyclesDelivered !== 0);
      const before = measuresOf(pictureOf(of), first, end)[1];
      const after = measuresOf(pictureOf({ ...of, sessions: [...of.sessions, extra] }), first, end)[1];
      const share = (one: Measure | undefined) =>
        one === undefined || one.denominator === 0 ? 0 : one.numerator / one.denominator;
      expect(share(after)).toBeGreaterThanOrEqual(share(before));
      expect(after?.bounds?.lowest ?? 0).toBeGreaterThanOrEqual(before?.bounds?.lowest ?? 0);
    }),
  );
});

describe("bounds", () => {
  test("always contain the value", () => {
    fc.assert(
      fc.property(world, (of) => {
        for (const { bounds, ratio } of measuresOf(pictureOf(of), first, end)) {
          if (bounds === undefined) continue;
          expect(bounds.lowest).toBeLessThanOrEqual(bounds.highest);
          if (ratio === undefined) continue;
          expect(ratio).toBeGreaterThanOrEqual(bounds.lowest - 1e-12);
          expect(ratio).toBeLessThanOrEqual(bounds.highest + 1e-12);
        }
      }),
    );
  });

  test("shrink as coverage grows", () => {
    const shrinking = new Set(["days-used", "sessions-completed", "dose"]);
    fc.assert(
      fc.property(world, ranges, (of, more) => {
        const less = measuresOf(pictureOf(of), first, end);
        const wider = measuresOf(pictureOf({ ...of, ranges: [...of.ranges, ...more] }), first, end);
        less.forEach((before, i) => {
          const after = wider[i];
          if (!shrinking.has(before.code) || before.bounds === undefined || after?.bounds === undefined) return;
          expect(after.bounds.lowest).toBeGreaterThanOrEqual(before.bounds.lowest - 1e-12);
          expect(after.bounds.highest).toBeLessThanOrEqual(before.bounds.highest + 1e-12);
        });
      }),
    );
  });
});

test("days that nobody has read never count as missed", () => {
  fc.assert(
    fc.property(sessions, plans, (some, plan) => {
      const picture = pictureOf({ sessions: some, plans: plan, ranges: [] });
      for (const state of dayStates(picture, first, end))
        expect([state.missed, state.state === "not-used"]).toEqual([0, false]);
      for (const measure of measuresOf(picture, first, end)) {
        if (measure.code === "days-used" || measure.code === "sessions-completed") {
          expect(measure.numerator).toBe(measure.denominator);
        }
      }
    }),
  );
});

// The changes of the clock of 2026 in each zone: from the IANA time zone database that the runtime carries.
describe("a week in which the clocks change still has seven days and fourteen asked sessions", () => {
  test.each([
    ["Europe/London", "2026-03-29"],
    ["Europe/London", "2026-10-25"],
    ["America/New_York", "2026-03-08"],
    ["America/New_York", "2026-11-01"],
    ["Australia/Lord_Howe", "2026-04-05"],
    ["America/St_Johns", "2026-03-08"],
    ["Atlantic/Azores", "2026-03-29"],
    ["Africa/Casablanca", "2026-02-15"],
    ["America/Santiago", "2026-09-06"],
    ["Asia/Kathmandu", "2026-03-29"],
  ])("in %s around %s", (zone, change) => {
    const [firstDay, endDay] = [addDays(change, -3), addDays(change, 4)];
    const made: Session[] = [];
    for (let on = firstDay; on < endDay; on = addDays(on, 1)) {
      for (const hour of ["08:00", "20:00"]) {
        const startMs = Temporal.ZonedDateTime.from(`${on}T${hour}[${zone}]`).epochMilliseconds;
        const settled = settleDay(startMs, zone, defaultThresholds.dayParts);
        made.push({
          ...exampleSession("2026-01-01T08:00"),
          sessionId: `${on}${hour}`,
          startMs,
          endMs: startMs + 600_000,
          ...settled,
        });
      }
    }
    const [fromMs, untilMs] = [startOfDayMs(addDays(firstDay, -2), zone), startOfDayMs(addDays(endDay, 2), zone)];
    const picture = examplePicture({
      zone,
      today: addDays(endDay, 2),
      nowMs: untilMs,
      sessions: made,
      machineUses: [{ useId: "u", deviceId: "machine-1", patientId: "patient-1", startMs: fromMs }],
      coverage: [{ deviceId: "machine-1", uploadId: "upload-1", startMs: fromMs, endMs: untilMs }],
    });
    const [used, completed] = measuresOf(picture, firstDay, endDay);
    expect([used && counts(used), completed && counts(completed)]).toEqual([
      [7, 7, 7],
      [14, 14, 14],
    ]);
  });
});
