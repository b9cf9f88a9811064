import { describe, expect, test } from "vitest";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { settingsDiffer } from "../../../src/domain/rules/settings-differ.ts";
import type { Session } from "../../../src/domain/session.ts";
import { examplePicture, examplePlan, exampleSession } from "../example-picture.ts";

const usual = {
  profileId: "usual",
  role: "usual",
  slot: "1",
  schedule: { kind: "count" as const, timesPerDay: 2 },
  insufflationPressureCmH2O: 40,
  exsufflationPressureCmH2O: -40,
  insufflationSeconds: 1.5,
};
const infection = {
  ...usual,
  profileId: "infection",
  role: "chest-infection",
  slot: "2",
  insufflationPressureCmH2O: 45,
};
const both = [examplePlan({ profiles: [usual, infection] })];

function find(over: Partial<Session>, plans = [examplePlan()], start = "2026-03-14T08:00") {
  return findingsOf(settingsDiffer, examplePicture({ plans, sessions: [exampleSession(start, over)] }));
}

describe("tolerance", () => {
  test.each([
    [{ setInsufflationPressureCmH2O: 41 }, 0],
    [{ setInsufflationPressureCmH2O: 41.1 }, 1],
    [{ setInsufflationPressureCmH2O: 39 }, 0],
    [{ setInsufflationPressureCmH2O: 38.9 }, 1],
    [{ setExsufflationPressureCmH2O: -41 }, 0],
    [{ setExsufflationPressureCmH2O: -41.1 }, 1],
    // 1.6 - 1.5 exceeds 0.1 in binary fractions.
    [{ setInsufflationSeconds: 1.6 }, 0],
    [{ setInsufflationSeconds: 1.61 }, 1],
    [{ setExsufflationSeconds: 1.9 }, 0],
    [{ setExsufflationSeconds: 1.89 }, 1],
    // The plan states no pause, so none is compared.
    [{ setPauseSeconds: 9 }, 0],
    [{}, 0],
  ])("recorded %j against 40/-40 cmH2O and 1.5/2 s: %i finding", (over, count) => {
    expect(find(over)).toHaveLength(count);
  });
});

test("it tells what was recorded and what is prescribed, with the resources", () => {
  const [finding] = find({ setInsufflationPressureCmH2O: 45, setInsufflationSeconds: 2 });
  expect(finding).toMatchObject({
    subject: "therapy",
    severity: "review",
    safety: false,
    sinceDay: "2026-03-14",
    text: "The settings recorded in 1 session since 14 March 2026 differ from the prescription. Latest: 14 March 2026, insufflation pressure 45 cmH2O recorded, 40 cmH2O prescribed; insufflation time 2 s recorded, 1.5 s prescribed.",
    focus: "Observation/session-2026-03-14T08-00",
  });
  expect(finding?.evidence.map(({ name, value, unit, reference }) => [name, value, unit, reference])).toEqual([
    ["set-insufflation-pressure", 45, "cm[H2O]", "Observation/session-2026-03-14T08-00"],
    ["set-insufflation-time", 2, "s", "Observation/session-2026-03-14T08-00"],
    ["plan", undefined, undefined, "CarePlan/plan-1"],
  ]);
});

describe("which profile counts", () => {
  test("without a slot recorded, any profile in force will do", () => {
    expect(find({ setInsufflationPressureCmH2O: 45 }, both)).toEqual([]);
    expect(find({ setInsufflationPressureCmH2O: 50 }, both)).toHaveLength(1);
  });

  test("with a slot recorded, only the profile in that slot", () => {
    expect(find({ profileSlot: "2", setInsufflationPressureCmH2O: 45 }, both)).toEqual([]);
    expect(find({ profileSlot: "1", setInsufflationPressureCmH2O: 45 }, both)).toHaveLength(1);
  });

  test("a slot that no profile prescribes is a finding even without settings", () => {
    const [finding] = find({ profileSlot: "3" }, both);
    expect(finding?.text).toContain("profile slot 3 was used, which the plan does not prescribe");
    expect(finding?.evidence[0]?.name).toBe("slot-not-prescribed");
  });

  test("a profile that names no slot may be stored in any", () => {
    const { slot: _, ...anywhere } = usual;
    const plans = [examplePlan({ profiles: [anywhere] })];
    expect(find({ profileSlot: "3", setInsufflationPressureCmH2O: 40 }, plans)).toEqual([]);
    expect(find({ profileSlot: "3", setInsufflationPressureCmH2O: 45 }, plans)).toHaveLength(1);
  });

  test("the plan of the session's own day counts, not today's", () => {
    const plans = [
      examplePlan({ planId: "old", status: "completed", endDay: "2026-03-13", profiles: [infection] }),
      examplePlan({ planId: "new", firstDay: "2026-03-13", profiles: [usual] }),
    ];
    expect(find({ setInsufflationPressureCmH2O: 45 }, plans, "2026-03-12T20:00")).toEqual([]);
    expect(find({ setInsufflationPressureCmH2O: 45 }, plans, "2026-03-14T20:00")).toHaveLength(1);
    expect(find({ setInsufflationPressureCmH2O: 45 }, [])).toEqual([]);
    // On the day of the change the settings of before and after both count as prescribed.
    expect(find({ setInsufflationPressureCmH2O: 45 }, plans, "2026-03-13T20:00")).toEqual([]);
    expect(find({ setInsufflationPressureCmH2O: 40 }, plans, "2026-03-13T20:00")).toEqual([]);
  });
});

test("of several profiles the one that differs least is named", () => {
  const other = { ...infection, exsufflationPressureCmH2O: -50 };
  for (const profiles of [
    [usual, other],
    [other, usual],
  ]) {
    const recorded = { setInsufflationPressureCmH2O: 50, setExsufflationPressureCmH2O: -40 };
    const [finding] = find(recorded, [examplePlan({ profiles })]);
    expect(finding?.text).toContain(
      "Latest: 14 March 2026, insufflation pressure 50 cmH2O recorded, 40 cmH2O prescribed.",
    );
  }
});

test("the window reaches back 14 days and includes today; tests do not count", () => {
  const wrong = { setInsufflationPressureCmH2O: 50 };
  expect(find(wrong, both, "2026-02-28T08:00")).toEqual([]);
  expect(find(wrong, both, "2026-03-01T08:00")).toHaveLength(1);
  expect(find(wrong, both, "2026-03-15T08:00")).toHaveLength(1);
  expect(find({ ...wrong, test: true }, both)).toEqual([]);
});

test("of many sessions the latest three are shown and the first tells since when", () => {
  const sessions = [10, 11, 12, 13].map((day) =>
    exampleSession(`2026-03-${day}T08:00`, { setInsufflationPressureCmH2O: 50 }),
  );
  const [finding] = findingsOf(settingsDiffer, examplePicture({ sessions }));
  expect(finding?.sinceDay).toBe("2026-03-10");
  expect(finding?.evidence.map((one) => one.text.slice(0, 8))).toEqual([
    "11 March",
    "12 March",
    "13 March",
    "The plan",
  ]);
});
