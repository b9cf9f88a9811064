import { describe, expect, test } from "vitest";
import type { Contraindication } from "../../../src/domain/contraindication.ts";
import type { Picture } from "../../../src/domain/picture.ts";
import { findingsOf } from "../../../src/domain/rules/examination.ts";
import { usedWhileContraindicated } from "../../../src/domain/rules/used-while-contraindicated.ts";
import type { Session } from "../../../src/domain/session.ts";
import { examplePicture, examplePlan, exampleSession, instant } from "../example-picture.ts";

const flag: Contraindication = {
  flagId: "flag-1",
  code: "pneumothorax",
  title: "Pneumothorax",
  class: "absolute",
  active: true,
  startMs: instant("2026-03-12T09:00"),
};

function find(sessions: Session[], contraindications = [flag]) {
  return findingsOf(usedWhileContraindicated, examplePicture({ sessions, contraindications }));
}

test("a session that began when the flag did counts, one a millisecond earlier does not", () => {
  const session = exampleSession("2026-03-12T09:00");
  expect(find([session])).toHaveLength(1);
  expect(find([{ ...session, startMs: session.startMs - 1 }])).toEqual([]);
});

test("it is urgent, about safety, and names flag and sessions", () => {
  const sessions = [
    exampleSession("2026-03-11T20:00"),
    exampleSession("2026-03-13T08:00"),
    exampleSession("2026-03-14T08:00"),
  ];
  const [finding] = find(sessions);
  expect(finding).toMatchObject({
    subject: "Flag/flag-1",
    severity: "urgent",
    safety: true,
    sinceDay: "2026-03-13",
    text: 'Recorded use: 2 sessions since 13 March 2026 while the contraindication "Pneumothorax" (absolute), flagged on 12 March 2026, is in force.',
    focus: "Flag/flag-1",
  });
  expect(finding?.evidence.map((one) => one.reference)).toEqual([
    "Flag/flag-1",
    undefined,
    "Observation/session-2026-03-13T08-00",
    "Observation/session-2026-03-14T08-00",
  ]);
});

test("a session too short to count as use counts here, one marked as a test does not", () => {
  expect(find([exampleSession("2026-03-14T08:00", { cyclesDelivered: 0 })])).toHaveLength(1);
  expect(find([exampleSession("2026-03-14T08:00", { test: true })])).toEqual([]);
});

test.each(["absolute", "relative", "momentary"] as const)("a flag of class %s counts", (kind) => {
  expect(find([exampleSession("2026-03-14T08:00")], [{ ...flag, class: kind }])).toMatchObject([
    { severity: "urgent" },
  ]);
});

test("a flag that has ended or is not active does not", () => {
  const sessions = [exampleSession("2026-03-14T08:00")];
  const nowMs = instant("2026-03-15T12:00");
  expect(find(sessions, [{ ...flag, endMs: nowMs + 1 }])).toHaveLength(1);
  expect(find(sessions, [{ ...flag, endMs: nowMs }])).toEqual([]);
  expect(find(sessions, [{ ...flag, active: false }])).toEqual([]);
});

test("the window reaches back 14 days and includes today", () => {
  const old = [{ ...flag, startMs: instant("2026-01-01T00:00") }];
  expect(find([exampleSession("2026-02-28T08:00")], old)).toEqual([]);
  expect(find([exampleSession("2026-03-01T08:00")], old)).toHaveLength(1);
  expect(find([exampleSession("2026-03-15T08:00")], old)).toHaveLength(1);
});

test("each flag is a finding of its own", () => {
  const findings = find(
    [exampleSession("2026-03-14T08:00")],
    [flag, { ...flag, flagId: "flag-2", code: "haemoptysis" }],
  );
  expect(findings.map((finding) => finding.subject)).toEqual(["Flag/flag-1", "Flag/flag-2"]);
});

test("neither missing coverage nor a plan on hold holds it back", () => {
  const picture = examplePicture({
    sessions: [exampleSession("2026-03-14T08:00")],
    contraindications: [flag],
    coverage: [],
    plans: [],
  });
  expect(findingsOf(usedWhileContraindicated, picture)).toHaveLength(1);
});

describe("where the plan says why it goes on in spite of the flag", () => {
  const overridden = examplePlan({ overrides: [{ flagId: "flag-1", reason: "Agreed in clinic." }] });
  const used = [exampleSession("2026-03-13T08:00"), exampleSession("2026-03-14T08:00")];
  const found = (plans: Picture["plans"]) =>
    findingsOf(usedWhileContraindicated, examplePicture({ sessions: used, contraindications: [flag], plans }));

  test("use is information with the reason in it", () => {
    expect(found([overridden])).toMatchObject([{ severity: "information", safety: false }]);
    expect(found([overridden])[0]?.text).toContain('The plan says why it goes on: "Agreed in clinic."');
  });

  test("use while that plan is on hold is urgent all the same", () => {
    const held = { ...overridden, holds: [{ firstDay: "2026-03-14" }] };
    expect(found([held])).toMatchObject([{ severity: "urgent", safety: true }]);
  });

  test("a session of a day under another plan makes it urgent all the same", () => {
    const plans = [
      examplePlan({ planId: "old", endDay: "2026-03-14", status: "completed" }),
      { ...overridden, firstDay: "2026-03-14" },
    ];
    expect(found(plans)).toMatchObject([{ severity: "urgent", safety: true }]);
  });
});
