import { describe, expect, test } from "vitest";
import { askedPerDay, isHeld, planInForce } from "../../src/domain/plan-in-force.ts";
import type { Plan, Schedule, SettingsProfile } from "../../src/domain/prescription.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";

const { dayParts } = defaultThresholds;
const profile = (role: string, schedule: Schedule): SettingsProfile => ({ profileId: `${role}-1`, role, schedule });
const plan = (over: Partial<Plan>): Plan => ({
  planId: "plan-1",
  status: "active",
  firstDay: "2026-03-01",
  holds: [],
  profiles: [],
  ...over,
});

describe("the plan in force", () => {
  test("begins on its first day and no longer holds on its end day", () => {
    const plans = [plan({ endDay: "2026-03-10" })];
    const inForce = (day: string) => planInForce(plans, day)?.planId;
    expect(["2026-02-28", "2026-03-01", "2026-03-09", "2026-03-10"].map(inForce)).toEqual([
      undefined,
      "plan-1",
      "plan-1",
      undefined,
    ]);
  });

  test("a version follows the other without a day between", () => {
    const plans = [
      plan({ status: "completed", endDay: "2026-03-10" }),
      plan({ planId: "plan-2", firstDay: "2026-03-10" }),
    ];
    expect(planInForce(plans, "2026-03-09")?.planId).toBe("plan-1");
    expect(planInForce(plans, "2026-03-10")?.planId).toBe("plan-2");
  });

  test("of versions that overlap after all the later one counts, in whatever order they come", () => {
    const plans = [plan({}), plan({ planId: "plan-2", firstDay: "2026-03-05" })];
    expect(planInForce(plans, "2026-03-06")?.planId).toBe("plan-2");
    expect(planInForce([...plans].reverse(), "2026-03-06")?.planId).toBe("plan-2");
  });

  test("a draft asks for nothing, and a plan that ended on no known day neither", () => {
    for (const status of ["draft", "completed", "revoked"] as const) {
      expect(planInForce([plan({ status })], "2026-03-05")).toBeUndefined();
    }
  });

  test("a hold covers its days half-open", () => {
    const held = plan({ holds: [{ firstDay: "2026-03-03", endDay: "2026-03-05" }, { firstDay: "2026-03-20" }] });
    const days = ["2026-03-02", "2026-03-03", "2026-03-04", "2026-03-05", "2026-03-19", "2026-04-20"];
    expect(days.map((day) => isHeld(held, day))).toEqual([false, true, true, false, false, true]);
  });

  test("a plan on hold since nobody knows when is held throughout", () => {
    expect(isHeld(plan({ status: "on-hold" }), "2026-03-05")).toBe(true);
  });

  test("a plan on hold with its days told is held on those only", () => {
    expect(isHeld(plan({ status: "on-hold", holds: [{ firstDay: "2026-03-10" }] }), "2026-03-05")).toBe(false);
  });
});

describe("what a plan asks for each day", () => {
  const on = { day: "2026-03-10", infected: false };
  const asked = (...profiles: SettingsProfile[]) => {
    const { parts, count } = askedPerDay(plan({ profiles }), on, dayParts);
    return [parts.map((part) => part.code), count];
  };

  test("each day part once, whichever profiles name it", () => {
    const a = profile("usual", { kind: "day-parts", parts: ["evening", "morning"] });
    const b = profile("usual", { kind: "day-parts", parts: ["evening"] });
    expect(asked(a, b)).toEqual([["morning", "evening"], 0]);
  });

  test("bare counts add up", () => {
    const twice = profile("usual", { kind: "count", timesPerDay: 2 });
    expect(asked(twice, { ...twice, profileId: "usual-2" })).toEqual([[], 4]);
  });

  test("when needed asks for nothing", () => {
    expect(asked(profile("usual", { kind: "when-needed" }))).toEqual([[], 0]);
  });

  test("the chest-infection profile beside a usual one asks for nothing", () => {
    const infection = profile("chest-infection", { kind: "count", timesPerDay: 4 });
    expect(asked(profile("usual", { kind: "count", timesPerDay: 2 }), infection)).toEqual([[], 2]);
    expect(asked(profile("usual", { kind: "when-needed" }), infection)).toEqual([[], 0]);
  });

  test("where no profile is a usual one, all ask", () => {
    expect(asked(profile("travel", { kind: "count", timesPerDay: 1 }))).toEqual([[], 1]);
  });

  test("a part that the tenant does not name is asked for at no particular time", () => {
    expect(asked(profile("usual", { kind: "day-parts", parts: ["morning", "siesta"] }))).toEqual([["morning"], 1]);
  });

  test("a plan without profiles asks for nothing", () => {
    expect(asked()).toEqual([[], 0]);
  });

  describe("while a chest infection lasts", () => {
    const usual = profile("usual", { kind: "day-parts", parts: ["morning", "evening"] });
    const infected = (schedule: SettingsProfile["schedule"]) =>
      askedPerDay(
        plan({ profiles: [usual, profile("chest-infection", schedule)] }),
        { ...on, infected: true },
        dayParts,
      );

    test("the profile for it replaces the usual one where it says how often", () => {
      expect(infected({ kind: "count", timesPerDay: 4 })).toMatchObject({ parts: [], count: 4 });
    });

    test("one that is to be used when needed changes nothing", () => {
      expect(infected({ kind: "when-needed" }).parts.map((part) => part.code)).toEqual(["morning", "evening"]);
    });
  });

  describe("of a profile that was replaced", () => {
    const before = { ...profile("usual", { kind: "count", timesPerDay: 2 }), untilDay: "2026-03-10" };
    const since = { ...profile("usual", { kind: "count", timesPerDay: 3 }), fromDay: "2026-03-10" };
    const count = (day: string) => askedPerDay(plan({ profiles: [before, since] }), { ...on, day }, dayParts).count;

    test("the old one asks until the day of the change, the new one from that day on", () => {
      expect([count("2026-03-09"), count("2026-03-10"), count("2026-03-11")]).toEqual([2, 3, 3]);
    });
  });

  describe("cycles", () => {
    const dosed = (over: Partial<SettingsProfile>): SettingsProfile => ({
      ...profile("usual", { kind: "day-parts", parts: ["morning", "evening"] }),
      cyclesPerSet: 5,
      setsPerSession: 4,
      ...over,
    });
    const of = (...profiles: SettingsProfile[]) => askedPerDay(plan({ profiles }), on, dayParts);

    test("are sets times cycles for each session asked", () => {
      expect(of(dosed({})).cyclesOfPart).toEqual({ morning: 20, evening: 20 });
      expect(of(dosed({ schedule: { kind: "count", timesPerDay: 3 } })).cyclesOfCount).toBe(60);
    });

    test("are not known where sets or cycles are not stated", () => {
      const { setsPerSession: _, ...withoutSets } = dosed({});
      expect(of(withoutSets).cyclesOfPart).toEqual({});
      const counted = { ...withoutSets, schedule: { kind: "count", timesPerDay: 3 } as const };
      expect(of(counted)).not.toHaveProperty("cyclesOfCount");
    });
  });
});
