import { expect, test } from "vitest";
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
