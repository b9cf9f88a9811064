import { describe, expect, test } from "vitest";
import type { Contraindication } from "../../../src/domain/contraindication.ts";
import type { Plan } from "../../../src/domain/prescription.ts";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { planNeedsHold } from "../../../src/domain/rules/plan-needs-hold.ts";
import { examplePicture, examplePlan, instant } from "../example-picture.ts";

const flag: Contraindication = {
  flagId: "flag-1",
  code: "haemoptysis",
  title: "Haemoptysis",
  class: "absolute",
  active: true,
  startMs: instant("2026-03-12T09:00"),
};

function find(plan: Partial<Plan>, over: Partial<Contraindication> = {}) {
  return findingsOf(
    planNeedsHold,
    examplePicture({ plans: [examplePlan(plan)], contraindications: [{ ...flag, ...over }] }),
  );
}

test("an absolute contraindication beside an active plan is urgent and about safety", () => {
  const findings = find({});
  expect(findings).toMatchObject([
    {
      subject: "Flag/flag-1",
      severity: "urgent",
      safety: true,
      sinceDay: "2026-03-12",
      text: 'The contraindication "Haemoptysis" (absolute), flagged on 12 March 2026, is in force and the plan that began on 1 January 2026 is not on hold. The plan should be put on hold.',
      focus: "CarePlan/plan-1",
    },
  ]);
  expect(findings[0]?.evidence.map((one) => one.reference)).toEqual(["Flag/flag-1", "CarePlan/plan-1"]);
});

test("a relative one asks for review, a momentary one for nothing", () => {
  expect(find({}, { class: "relative" })).toMatchObject([{ severity: "review", safety: false }]);
  expect(find({}, { class: "momentary" })).toEqual([]);
});

test.each([
  ["a hold that began today", [{ firstDay: "2026-03-15" }], 0],
  ["a hold that begins tomorrow", [{ firstDay: "2026-03-16" }], 1],
  ["a hold whose last day is today", [{ firstDay: "2026-03-12", endDay: "2026-03-16" }], 0],
  ["a hold that ended yesterday", [{ firstDay: "2026-03-12", endDay: "2026-03-15" }], 1],
])("%s: %j gives %i finding", (_name, holds, count) => {
  expect(find({ holds })).toHaveLength(count);
});

test("after a hold it stands since the day the hold ended", () => {
  expect(find({ holds: [{ firstDay: "2026-03-12", endDay: "2026-03-14" }] })[0]?.sinceDay).toBe("2026-03-14");
});

test("a plan that began after the flag makes it stand since the plan began", () => {
  expect(find({ firstDay: "2026-03-13" })[0]?.sinceDay).toBe("2026-03-13");
});

test.each(["on-hold", "draft", "completed", "revoked"] as const)("a plan of status %s needs no hold", (status) => {
  expect(find({ status })).toEqual([]);
});

test("a plan that stands on hold needs none, even when its last recorded hold has an end behind it", () => {
  expect(find({ status: "on-hold", holds: [{ firstDay: "2026-03-01", endDay: "2026-03-10" }] })).toEqual([]);
});

test("a hold that ended this morning makes it stand since today", () => {
  expect(find({ holds: [{ firstDay: "2026-03-12", endDay: "2026-03-15" }] })[0]?.sinceDay).toBe("2026-03-15");
});

test("a plan that begins tomorrow, or no plan, needs no hold", () => {
  expect(find({ firstDay: "2026-03-16" })).toEqual([]);
  expect(findingsOf(planNeedsHold, examplePicture({ plans: [], contraindications: [flag] }))).toEqual([]);
});

test("a flag that has ended asks for nothing", () => {
  expect(find({}, { endMs: instant("2026-03-15T12:00") })).toEqual([]);
  expect(find({}, { active: false })).toEqual([]);
});

describe("where the plan says why it goes on in spite of the flag", () => {
  const overrides = (flagId: string) => [{ flagId, reason: "Drained and healed, agreed in clinic." }];

  test("it is information with the reason in it, and no Task", () => {
    const [finding] = find({ overrides: overrides("flag-1") });
    expect(finding).toMatchObject({ severity: "information", safety: false });
    expect(finding?.text).toContain('the plan says why it goes on: "Drained and healed, agreed in clinic."');
  });

  test("another flag, also one of the same kind, is not covered", () => {
    expect(find({ overrides: overrides("flag-2") })).toMatchObject([{ severity: "urgent", safety: true }]);
  });
});

test("the steps say why there is none", () => {
  const [examination] = planNeedsHold.examine(
    examplePicture({ contraindications: [flag], plans: [examplePlan({ status: "on-hold" })] }),
  );
  expect(examination?.subject).toBe("Flag/flag-1");
  expect(examination?.steps.map(({ name, holds }) => [name, holds])).toEqual([
    ["flag-in-force", true],
    ["lasting", true],
    ["plan-asks", false],
  ]);
});
