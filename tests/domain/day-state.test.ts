import { describe, expect, test } from "vitest";
import { dayStates, qualifies } from "../../src/domain/day-state.ts";
import type { Picture } from "../../src/domain/picture.ts";
import type { Schedule } from "../../src/domain/prescription.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";
import { instant, picture, plan, read, session, twiceDaily, use } from "./june-picture.ts";

function oneDay(day: string, over: Partial<Picture> = {}) {
  const next = Temporal.PlainDate.from(day).add({ days: 1 }).toString();
  const [state] = dayStates(picture(over), day, next);
  if (state === undefined) throw new Error("no day came back");
  return state;
}

describe("slots of a day that asks for morning and evening", () => {
  test("a covered day without a session has missed both", () => {
    expect(oneDay("2026-06-10")).toEqual({
      day: "2026-06-10",
      eligible: true,
      planId: "plan-1",
      state: "not-used",
      asked: 2,
      done: 0,
      missed: 2,
      unknown: 0,
      parts: { morning: "missed", evening: "missed" },
      covered: true,
      sessionsWithoutCycles: 0,
      sessions: 0,
      minutes: 0,
    });
  });

  test("a second morning session does not make up for the evening", () => {
    const sessions = [
      session("2026-06-10", "morning", { cyclesDelivered: 20, peakCoughFlowLitresPerMinute: 150 }),
      session("2026-06-10", "morning", { sessionId: "again", peakCoughFlowLitresPerMinute: 180, cyclesDelivered: 5 }),
    ];
    expect(oneDay("2026-06-10", { sessions })).toMatchObject({
      state: "used",
      done: 1,
      missed: 1,
      sessions: 2,
      minutes: 30,
      cycles: 25,
      bestPeakCoughFlowLitresPerMinute: 180,
    });
  });

  test("a session outside all parts makes the day used and fills no slot", () => {
    const sessions = [session("2026-06-10", undefined)];
    expect(oneDay("2026-06-10", { sessions })).toMatchObject({ state: "used", done: 0, missed: 2 });
  });

  test("a session that carries no part although one contains its start counts to that part", () => {
    const late = { ...session("2026-06-10", undefined), startMs: instant("2026-06-11T02:00") };
    expect(oneDay("2026-06-10", { sessions: [late] })).toMatchObject({ done: 1, missed: 1 });
    const other = { ...late, localDay: "2026-06-11" };
    expect(oneDay("2026-06-11", { sessions: [other] })).toMatchObject({ done: 0, missed: 2 });
  });
});

describe("a bare count", () => {
  const plans = [plan({ kind: "count", timesPerDay: 2 })];
  const at = (hour: string) => session("2026-06-10", undefined, { sessionId: hour });

  test.each([
    [0, 0, 2],
    [1, 1, 1],
    [2, 2, 0],
    [3, 2, 0],
  ])("of 2 a day with %d sessions %d are done and %d missed", (count, done, missed) => {
    const sessions = ["8", "13", "20"].slice(0, count).map(at);
    expect(oneDay("2026-06-10", { plans, sessions })).toMatchObject({ asked: 2, done, missed, unknown: 0 });
  });

  test("beside a day part is served by what the part leaves over", () => {
    const schedule = (s: Schedule, id: string) => ({ profileId: id, role: "usual" as const, schedule: s });
    const mixed = plan(twiceDaily, {
      profiles: [
        schedule({ kind: "day-parts", parts: ["morning"] }, "a"),
        schedule({ kind: "count", timesPerDay: 1 }, "b"),
      ],
    });
    const morning = session("2026-06-10", "morning");
    const evening = session("2026-06-10", "evening");
    expect(oneDay("2026-06-10", { plans: [mixed], sessions: [morning] })).toMatchObject({ asked: 2, done: 1 });
    expect(oneDay("2026-06-10", { plans: [mixed], sessions: [evening] })).toMatchObject({ asked: 2, done: 1 });
    expect(oneDay("2026-06-10", { plans: [mixed], sessions: [morning, evening] })).toMatchObject({ done: 2 });
  });
});

describe("which sessions count", () => {
  test.each([
    [{}, true],
    [{ cyclesDelivered: 1 }, true],
    [{ cyclesDelivered: 0 }, false],
    [{ test: true, cyclesDelivered: 20 }, false],
    [{ test: false }, true],
  ])("%j: %s", (over, counts) => {
    expect(qualifies(session("2026-06-10", "morning", over), 1)).toBe(counts);
    expect(oneDay("2026-06-10", { sessions: [session("2026-06-10", "morning", over)] }).sessions).toBe(counts ? 1 : 0);
  });
});

describe("what was not read is unknown, never missed", () => {
  test("the day up to whose last instant the memory was read is known", () => {
    expect(oneDay("2026-06-20")).toMatchObject({ state: "not-used", missed: 2, unknown: 0 });
  });

  test("a millisecond of its night not read leaves the day unknown", () => {
    const coverage = [
      { ...read("device-1", "2026-01-05T10:00", "2026-06-21T04:00"), endMs: instant("2026-06-21T04:00") - 1 },
    ];
    expect(oneDay("2026-06-20", { coverage })).toMatchObject({ state: "unknown", missed: 0, unknown: 2 });
  });

  test("midnight is the end where no day part wraps", () => {
    const thresholds = { ...defaultThresholds, dayParts: defaultThresholds.dayParts.slice(0, 1) };
    const plans = [plan({ kind: "count", timesPerDay: 2 })];
    const coverage = [read("device-1", "2026-06-01T00:00", "2026-06-11T00:00")];
    expect(oneDay("2026-06-10", { thresholds, plans, coverage }).state).toBe("not-used");
    expect(oneDay("2026-06-10", { plans, coverage }).state).toBe("unknown");
  });

  test("a used day that was read in part has done slots and unknown ones", () => {
    const coverage = [read("device-1", "2026-06-01T04:00", "2026-06-10T12:00")];
    const sessions = [session("2026-06-10", "morning")];
    expect(oneDay("2026-06-10", { coverage, sessions })).toMatchObject({
      state: "used",
      done: 1,
      missed: 0,
      unknown: 1,
    });
  });

  test("the running day has nothing missed, even if an upload claims its end", () => {
    const coverage = [read("device-1", "2026-01-05T10:00", "2026-06-26T04:00")];
    expect(oneDay("2026-06-25", { coverage })).toMatchObject({ state: "unknown", missed: 0, unknown: 2 });
    expect(oneDay("2026-06-24", { coverage })).toMatchObject({ state: "not-used", missed: 2 });
  });

  test("two uploads that touch cover the day together", () => {
    const coverage = [
      read("device-1", "2026-06-09T00:00", "2026-06-10T14:00"),
      read("device-1", "2026-06-10T14:00", "2026-06-12T00:00"),
    ];
    expect(oneDay("2026-06-10", { coverage }).state).toBe("not-used");
  });

  test("a second machine that nobody read leaves the day unknown", () => {
    const machineUses = [use("device-1", "2026-01-05T10:00"), use("device-2", "2026-06-01T10:00", "2026-06-10T09:00")];
    expect(oneDay("2026-06-10", { machineUses }).state).toBe("unknown");
    expect(oneDay("2026-06-11", { machineUses }).state).toBe("not-used");
  });

  test("a swapped machine needs to be read only up to the swap", () => {
    const machineUses = [use("device-1", "2026-01-05T10:00", "2026-06-10T14:00"), use("device-2", "2026-06-10T14:00")];
    const coverage = [
      read("device-1", "2026-01-05T10:00", "2026-06-10T14:00"),
      read("device-2", "2026-06-10T14:00", "2026-06-21T04:00"),
    ];
    expect(oneDay("2026-06-10", { machineUses, coverage }).state).toBe("not-used");
  });

  test.each(["2026-03-28", "2026-03-29"])("the days around the change of clocks are covered like others: %s", (day) => {
    expect(oneDay(day)).toMatchObject({ state: "not-used", missed: 2 });
  });
});

describe("days that ask for nothing", () => {
  const none = { eligible: false, asked: 0, done: 0, missed: 0, unknown: 0 };

  test("before the handover, and from the day after the return", () => {
    const machineUses = [use("device-1", "2026-06-03T10:00", "2026-06-10T17:00")];
    const days = dayStates(picture({ machineUses }), "2026-06-02", "2026-06-12");
    expect(days.map((day) => day.excluded)).toEqual(["no-device", ...Array(8).fill(undefined), "no-device"]);
    expect(days[0]).toMatchObject({ ...none, state: "unknown" });
  });

  test("on the day of the handover only parts that were not over yet are asked for", () => {
    const machineUses = [use("device-1", "2026-06-03T12:00")];
    expect(oneDay("2026-06-03", { machineUses })).toMatchObject({ eligible: true, asked: 1, missed: 1 });
    const earlier = [use("device-1", "2026-06-03T11:59")];
    expect(oneDay("2026-06-03", { machineUses: earlier })).toMatchObject({ asked: 2 });
  });

  test("without a plan, on hold, in hospital, away, and from the day of death", () => {
    const reasons = dayStates(
      picture({
        plans: [
          plan(twiceDaily, { firstDay: "2026-06-02", holds: [{ firstDay: "2026-06-03", endDay: "2026-06-04" }] }),
        ],
        absences: [
          { sourceId: "encounter-1", kind: "hospital", firstDay: "2026-06-05", endDay: "2026-06-06" },
          { sourceId: "use-1", kind: "device-away", firstDay: "2026-06-07", endDay: "2026-06-08" },
          { sourceId: "absence-1", kind: "holiday", firstDay: "2026-06-09" },
        ],
        deceasedDay: "2026-06-10",
      }),
      "2026-06-01",
      "2026-06-12",
    ).map((day) => day.excluded);
    expect(reasons).toEqual([
      "no-plan",
      undefined,
      "plan-on-hold",
      undefined,
      "hospital",
      undefined,
      "device-away",
      undefined,
      "holiday",
      "deceased",
      "deceased",
    ]);
  });

  test("a session on an excluded day is told and fills no slot", () => {
    const absences = [{ sourceId: "encounter-1", kind: "hospital" as const, firstDay: "2026-06-10" }];
    const sessions = [session("2026-06-10", "morning")];
    expect(oneDay("2026-06-10", { absences, sessions })).toMatchObject({ ...none, state: "used", sessions: 1 });
  });

  test("therapy when needed is eligible and asks for nothing", () => {
    const plans = [plan({ kind: "when-needed" })];
    expect(oneDay("2026-06-10", { plans })).toMatchObject({ eligible: true, asked: 0, missed: 0, state: "not-used" });
  });
});

describe("a plan that came into force in the middle of a day", () => {
  const before = plan(twiceDaily, { planId: "before", endDay: "2026-06-10", status: "completed" });
  const since = plan({ kind: "day-parts", parts: ["evening"] }, { planId: "since", firstDay: "2026-06-10" });
  const on = (time: string, over: Partial<Parameters<typeof picture>[0]> = {}) =>
    dayStates(
      picture({ plans: [before, { ...since, startMs: instant(`2026-06-10T${time}`) }], ...over }),
      "2026-06-10",
      "2026-06-11",
    )[0];

  test("parts that began before it are the old plan's, later ones its own", () => {
    expect(on("14:00")).toMatchObject({ planId: "since", asked: 2, parts: { morning: "missed", evening: "missed" } });
  });

  test("from the very start of a part on, the part is its own", () => {
    expect(on("04:00")).toMatchObject({ asked: 1, parts: { evening: "missed" } });
    expect(on("04:01")).toMatchObject({ asked: 2 });
  });

  test("after the evening began it is the old plan's evening", () => {
    const morningOnly = {
      ...since,
      profiles: [{ profileId: "m", role: "usual", schedule: { kind: "day-parts", parts: ["morning"] } as const }],
    };
    const plans = [before, { ...morningOnly, startMs: instant("2026-06-10T17:00") }];
    expect(on("17:00", { plans })?.parts).toEqual({ morning: "missed", evening: "missed" });
  });

  test("an old plan that was held that day asks for nothing of it", () => {
    const held = { ...before, holds: [{ firstDay: "2026-06-08" }] };
    const plans = [held, { ...since, startMs: instant("2026-06-10T14:00") }];
    expect(on("14:00", { plans })).toMatchObject({ asked: 1, parts: { evening: "missed" } });
  });

  test("without a time of day the whole day is the new plan's", () => {
    const [state] = dayStates(picture({ plans: [before, since] }), "2026-06-10", "2026-06-11");
    expect(state).toMatchObject({ asked: 1, parts: { evening: "missed" } });
  });
});

describe("while a chest infection lasts", () => {
  const withInfectionProfile = plan(twiceDaily);
  const plans = [
    {
      ...withInfectionProfile,
      profiles: [
        ...withInfectionProfile.profiles,
        { profileId: "ill", role: "chest-infection", schedule: { kind: "count", timesPerDay: 4 } as const },
      ],
    },
  ];
  const infections = [{ conditionId: "c", firstDay: "2026-06-10", endDay: "2026-06-12" }];

  test("the profile for it asks, from its first day up to the day on which it is over", () => {
    const days = dayStates(picture({ plans, infections }), "2026-06-09", "2026-06-13");
    expect(days.map((day) => day.asked)).toEqual([2, 4, 4, 2]);
  });
});
