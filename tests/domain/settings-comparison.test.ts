import { describe, expect, test } from "vitest";
import type { Plan, SettingsProfile } from "../../src/domain/prescription.ts";
import { compareSettings } from "../../src/domain/settings-comparison.ts";
import { examplePicture, examplePlan, exampleSession } from "./example-picture.ts";

// The example plan: slot 1, 40 and -40 cmH2O, 1.5 s in, 2 s out.
const [usual] = examplePlan().profiles as [SettingsProfile];
const at40 = { setInsufflationPressureCmH2O: 40, setExsufflationPressureCmH2O: -40 };
const compare = (over: object, plans: readonly Plan[] = [examplePlan()], start = "2026-03-10T08:00") =>
  compareSettings(exampleSession(start, over), examplePicture({ plans }));

describe("what is compared", () => {
  test("settings within tolerance are concordant, exactly the tolerance included", () => {
    expect(compare({ ...at40, setInsufflationPressureCmH2O: 41, setInsufflationSeconds: 1.6 }).kind).toBe("concordant");
    expect(compare({ setInsufflationPressureCmH2O: 41.1 }).kind).toBe("differs");
    expect(compare({ setInsufflationSeconds: 1.61 }).kind).toBe("differs");
  });

  test("the sign of suction counts: -40 is not 40", () => {
    expect(compare({ setExsufflationPressureCmH2O: 40 }).kind).toBe("differs");
  });

  test("a device that records no settings cannot be compared where the plan states some", () => {
    expect(compare({})).toEqual({ kind: "not-comparable", reason: "not-recorded" });
  });

  test("a plan that states no settings has none to differ from", () => {
    const plans = [examplePlan({ profiles: [{ profileId: "p", role: "usual", schedule: usual.schedule }] })];
    expect(compare(at40, plans)).toEqual({ kind: "not-comparable", reason: "not-prescribed" });
  });

  test("without a plan on the session's day there is nothing to compare with", () => {
    expect(compare(at40, [])).toEqual({ kind: "not-comparable", reason: "no-plan" });
  });

  test("a slot that the plan does not prescribe differs, whatever was set", () => {
    expect(compare({ ...at40, profileSlot: "9" })).toMatchObject({ kind: "differs" });
    expect(compare({ ...at40, profileSlot: "9" })).not.toHaveProperty("nearest");
  });

  test("of several profiles the nearest is told", () => {
    const other = { ...usual, profileId: "other", insufflationPressureCmH2O: 50, exsufflationPressureCmH2O: -50 };
    const plans = [examplePlan({ profiles: [other, usual] })];
    const answer = compare({ setInsufflationPressureCmH2O: 45, setExsufflationPressureCmH2O: -40 }, plans);
    expect(answer).toMatchObject({ nearest: { profile: { profileId: "profile-1" }, differences: [{ set: 45 }] } });
  });
});

describe("on the day of a change both the settings of before and after count", () => {
  const at50 = { setInsufflationPressureCmH2O: 50, setExsufflationPressureCmH2O: -50 };
  const stronger = { ...usual, profileId: "stronger", insufflationPressureCmH2O: 50, exsufflationPressureCmH2O: -50 };
  const kinds = (settings: object, plans: readonly Plan[]) =>
    ["2026-03-09", "2026-03-10", "2026-03-11"].map((day) => compare(settings, plans, `${day}T08:00`).kind);

  test("where a profile was replaced within its plan", () => {
    const changed = [
      examplePlan({
        profiles: [
          { ...stronger, priorId: "profile-1", fromDay: "2026-03-10" },
          { ...usual, untilDay: "2026-03-10" },
        ],
      }),
    ];
    expect(kinds(at40, changed)).toEqual(["concordant", "concordant", "differs"]);
    expect(kinds(at50, changed)).toEqual(["differs", "concordant", "concordant"]);
  });

  test("where a plan replaced another", () => {
    const plans = [
      examplePlan({ planId: "old", endDay: "2026-03-10" }),
      examplePlan({ planId: "new", firstDay: "2026-03-10", profiles: [stronger] }),
    ];
    expect(kinds(at40, plans)).toEqual(["concordant", "concordant", "differs"]);
    expect(kinds(at50, plans)).toEqual(["differs", "concordant", "concordant"]);
  });
});
