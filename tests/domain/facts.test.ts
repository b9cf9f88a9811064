import { describe, expect, test } from "vitest";
import { type PlanFacts, plansWithProfiles } from "../../src/domain/facts.ts";
import type { SettingsProfile } from "../../src/domain/prescription.ts";

const profile = (profileId: string): SettingsProfile => ({
  profileId,
  role: "usual",
  schedule: { kind: "when-needed" },
});
const plan = (planId: string, firstDay: string, profileIds: readonly string[]): PlanFacts => ({
  planId,
  patientId: "p",
  status: "active",
  firstDay,
  holds: [],
  profileIds,
});

test("plans come by first day, each with the profiles it lists and in its order", () => {
  const plans = plansWithProfiles(
    [plan("later", "2026-03-01", ["b", "a"]), plan("earlier", "2026-01-01", ["a"])],
    [profile("a"), profile("b")],
  );
  expect(plans.map((one) => [one.planId, one.profiles.map(({ profileId }) => profileId)])).toEqual([
    ["earlier", ["a"]],
    ["later", ["b", "a"]],
  ]);
});

test("a later plan for other equipment does not stand in the way of the one in force", () => {
  const plans = plansWithProfiles(
    [plan("cough", "2026-01-01", ["a"]), plan("other", "2026-02-01", ["chair"])],
    [profile("a")],
  );
  expect(plans.map((one) => one.planId)).toEqual(["cough"]);
});

describe("a profile that replaced another within its plan", () => {
  const since = { ...profile("b"), priorId: "a", fromDay: "2026-02-01" };

  test("brings the other along until the day of the change", () => {
    const [found] = plansWithProfiles([plan("plan", "2026-01-01", ["b"])], [profile("a"), since]);
    expect(found?.profiles).toEqual([since, { ...profile("a"), untilDay: "2026-02-01" }]);
  });

  test("brings all of a chain, each until the next began", () => {
    const latest = { ...profile("c"), priorId: "b", fromDay: "2026-03-01" };
    const [found] = plansWithProfiles([plan("plan", "2026-01-01", ["c"])], [profile("a"), since, latest]);
    expect(found?.profiles.map(({ profileId, fromDay, untilDay }) => [profileId, fromDay, untilDay])).toEqual([
      ["c", "2026-03-01", undefined],
      ["b", "2026-02-01", "2026-03-01"],
      ["a", undefined, "2026-02-01"],
    ]);
  });

  test("comes once where the plan lists both", () => {
    const [found] = plansWithProfiles([plan("plan", "2026-01-01", ["a", "b"])], [profile("a"), since]);
    expect(found?.profiles).toEqual([since, { ...profile("a"), untilDay: "2026-02-01" }]);
  });

  test("changed before the plan began, or on its first day, stands alone", () => {
    const [found] = plansWithProfiles([plan("plan", "2026-02-01", ["b"])], [profile("a"), since]);
    expect(found?.profiles).toEqual([since]);
    const [both] = plansWithProfiles([plan("plan", "2026-02-01", ["a", "b"])], [profile("a"), since]);
    expect(both?.profiles).toEqual([since]);
  });

  test("and a circle of replacements ends", () => {
    const circle = { ...profile("a"), priorId: "b", fromDay: "2026-01-15" };
    const [found] = plansWithProfiles([plan("plan", "2026-01-01", ["b"])], [circle, since]);
    expect(found?.profiles.map(({ profileId }) => profileId)).toEqual(["b", "a"]);
    const [both] = plansWithProfiles([plan("plan", "2026-01-01", ["a", "b"])], [circle, since]);
    expect(both?.profiles.map(({ profileId }) => profileId)).toEqual(["a", "b"]);
  });
});

describe("a plan that another one replaces", () => {
  const ends = (old: Partial<PlanFacts>, next: Partial<PlanFacts>) =>
    plansWithProfiles(
      [
        { ...plan("old", "2026-01-01", ["a"]), ...old },
        { ...plan("next", "2026-02-01", ["a"]), replacesId: "old", ...next },
      ],
      [profile("a")],
    ).find((one) => one.planId === "old")?.endDay;

  test("ends where that one begins, also when its own record says later or nothing", () => {
    expect(ends({}, {})).toBe("2026-02-01");
    expect(ends({ endDay: "2026-06-01" }, {})).toBe("2026-02-01");
  });

  test("that has ended before stays ended before", () => {
    expect(ends({ endDay: "2026-01-20" }, {})).toBe("2026-01-20");
  });

  test("is not ended by a draft", () => {
    expect(ends({}, { status: "draft" })).toBeUndefined();
  });

  test("from before its own first day never was in force", () => {
    expect(ends({ firstDay: "2026-03-01" }, {})).toBe("2026-03-01");
  });

  test("twice ends where the first of both begins", () => {
    const next = (id: string, firstDay: string) => ({ ...plan(id, firstDay, ["a"]), replacesId: "old" });
    const plans = plansWithProfiles(
      [plan("old", "2026-01-01", ["a"]), next("later", "2026-06-20"), next("sooner", "2026-06-10")],
      [profile("a")],
    );
    expect(plans.find((one) => one.planId === "old")?.endDay).toBe("2026-06-10");
  });
});
