import fc from "fast-check";
import { describe, expect, test } from "vitest";
import type { Contraindication } from "../../src/domain/contraindication.ts";
import type { FindingTask, TaskStatus } from "../../src/domain/finding-task.ts";
import type { Picture } from "../../src/domain/picture.ts";
import { review } from "../../src/domain/review.ts";
import { catalogue } from "../../src/domain/rules/catalogue.ts";
import type { Session } from "../../src/domain/session.ts";
import { everySession, examplePicture, examplePlan, exampleSession, instant } from "./example-picture.ts";
import { afterSteps, openOf } from "./task-model.ts";

const flag: Contraindication = {
  flagId: "flag-1",
  code: "pneumothorax",
  title: "Pneumothorax",
  class: "absolute",
  active: true,
  startMs: instant("2026-03-12T09:00"),
};

const circuit = { partId: "circuit-1", kind: "circuit", fittedDay: "2026-02-10" };

/** Used a little, too long, with other settings, in spite of a contraindication, and with an old circuit. */
const troubled = examplePicture({
  sessions: [
    exampleSession("2026-03-13T08:00", { setInsufflationPressureCmH2O: 50 }),
    exampleSession("2026-03-14T08:00", { endMs: instant("2026-03-14T08:45") }),
  ],
  contraindications: [flag],
  parts: [circuit],
});

function taskFor(over: Partial<FindingTask>): FindingTask {
  const base = { taskId: "task-1", rule: "low-use", subject: "therapy", episode: 1, severity: "review" } as const;
  return { ...base, status: "requested", evidenceDigest: "0", clearedSince: false, ...over };
}

describe("what is found", () => {
  test("a patient who uses the therapy as asked has no finding and no step", () => {
    const { findings, steps } = review(examplePicture({ sessions: everySession("2026-02-15", "2026-03-15") }));
    expect({ findings, steps }).toEqual({ findings: [], steps: [] });
  });

  test("each rule finds its own, those of safety first, and each raises one Task", () => {
    const { findings, steps } = review(troubled);
    expect(findings.map((finding) => finding.rule)).toEqual([
      "used-while-contraindicated",
      "plan-needs-hold",
      "low-use",
      "long-sitting",
      "settings-differ",
      "part-overdue",
    ]);
    expect(steps.map((step) => step.kind)).toEqual(Array(6).fill("raise"));
  });

  test("every finding tells its numbers, its evidence, since when, and what would clear it", () => {
    for (const { text, evidence, sinceDay, clearsWhen } of review(troubled).findings) {
      expect(text).toMatch(/\d/);
      expect(evidence.some((one) => /^(Observation|Flag|Device|CarePlan)\/./.test(one.reference ?? ""))).toBe(true);
      expect(sinceDay <= troubled.today).toBe(true);
      expect(clearsWhen).toMatch(/\.$/);
    }
  });

  test("nothing is found about a patient who has died, from the day of death on", () => {
    expect(review({ ...troubled, deceasedDay: "2026-03-16" }).findings).not.toEqual([]);
    expect(review({ ...troubled, deceasedDay: "2026-03-15" }).findings).toEqual([]);
  });

  test("only the rules asked for look", () => {
    const rules = catalogue.filter((rule) => rule.code === "long-sitting");
    expect(review(troubled, rules).findings.map((finding) => finding.rule)).toEqual(["long-sitting"]);
  });
});

describe("what was raised and is no longer found", () => {
  const calm = examplePicture({ sessions: everySession("2026-02-15", "2026-03-15") });

  test("is completed as cleared while the rule applies", () => {
    expect(review({ ...calm, tasks: [taskFor({})] }).steps).toMatchObject([{ kind: "close", reason: "cleared" }]);
  });

  test.each<[string, Partial<FindingTask>, Partial<Picture>]>([
    ["the patient has died", {}, { deceasedDay: "2026-03-15" }],
    ["no plan is in force", {}, { plans: [examplePlan({ endDay: "2026-03-15" })] }],
    ["the machine of a part went back", { rule: "part-due", subject: "Device/circuit-1" }, { machineUses: [] }],
    ["the rule is switched off", { rule: "a-rule-of-last-year" }, {}],
  ])("is cancelled when %s", (_why, task, over) => {
    const { steps } = review({ ...calm, ...over, tasks: [taskFor(task)] });
    expect(steps).toMatchObject([{ kind: "close", status: "cancelled", reason: "no-longer-applies" }]);
  });

  test("a part that was replaced has cleared", () => {
    const task = taskFor({ rule: "part-due", subject: "Device/circuit-1" });
    const parts = [circuit, { ...circuit, partId: "circuit-2", fittedDay: "2026-03-10" }];
    expect(review({ ...calm, parts, tasks: [task] }).steps).toMatchObject([{ kind: "close", reason: "cleared" }]);
  });
});

describe("the caseload row", () => {
  test("measures the 28 full days before today", () => {
    const sessions = [
      ...everySession("2026-02-14", "2026-02-16"),
      exampleSession("2026-03-14T08:00"),
      exampleSession("2026-03-15T08:00"),
    ];
    const { summary } = review(examplePicture({ sessions }));
    // 15 February has two sessions, 14 March one; 14 February and today lie outside.
    expect(summary.daysUsed).toMatchObject({
      firstDay: "2026-02-15",
      endDay: "2026-03-15",
      numerator: 2,
      denominator: 28,
    });
    expect(summary.sessionsCompleted).toMatchObject({ numerator: 3, denominator: 56 });
    expect(summary).toMatchObject({
      patientId: "patient-1",
      reviewedDay: "2026-03-15",
      lastSessionStartMs: instant("2026-03-15T08:00"),
      coveredUntilMs: instant("2026-03-15T06:00"),
    });
  });

  test("names the part due next among those in use", () => {
    const parts = [
      { ...circuit, partId: "old" },
      { ...circuit, partId: "new", fittedDay: "2026-03-10" },
      { partId: "mask-1", kind: "mask", fittedDay: "2025-04-01" },
    ];
    expect(review(examplePicture({ parts })).summary).toMatchObject({
      nextPartDueDay: "2026-04-01",
      nextPartKind: "mask",
    });
  });

  test("leaves out what nobody knows, and is never covered beyond now", () => {
    const { summary } = review(examplePicture({ coverage: [] }));
    for (const name of ["lastSessionStartMs", "coveredUntilMs", "nextPartDueDay", "nextPartKind"]) {
      expect(summary).not.toHaveProperty(name);
    }
    const startMs = instant("2026-01-01T00:00");
    const coverage = [{ deviceId: "machine-1", uploadId: "u", startMs, endMs: instant("2027-01-01T00:00") }];
    expect(review(examplePicture({ coverage })).summary.coveredUntilMs).toBe(troubled.nowMs);
  });

  test("a last session older than the picture is still the last, and a test session is none", () => {
    const lastSessionStartMs = instant("2026-01-10T08:00");
    expect(review(examplePicture({ lastSessionStartMs })).summary.lastSessionStartMs).toBe(lastSessionStartMs);
    const sessions = [exampleSession("2026-03-14T08:00", { test: true })];
    expect(review(examplePicture({ sessions, lastSessionStartMs })).summary.lastSessionStartMs).toBe(
      lastSessionStartMs,
    );
  });
});

const anySession: fc.Arbitrary<Session> = fc
  .record({
    day: fc.integer({ min: 0, max: 40 }),
    hour: fc.integer({ min: 0, max: 23 }),
    minutes: fc.integer({ min: 1, max: 50 }),
    pressure: fc.integer({ min: 38, max: 42 }),
    slot: fc.constantFrom(undefined, "1", "2"),
    isTest: fc.constantFrom(undefined, true, undefined),
    cycles: fc.constantFrom(undefined, 0, 20),
  })
  .map(({ day, hour, minutes, pressure, slot, isTest, cycles }) => {
    const date = Temporal.PlainDate.from("2026-02-03").add({ days: day }).toString();
    const { cyclesDelivered: _, ...session } = exampleSession(`${date}T${String(hour).padStart(2, "0")}:00`);
    return {
      ...session,
      endMs: session.startMs + minutes * 60_000,
      setInsufflationPressureCmH2O: pressure,
      ...(slot !== undefined && { profileSlot: slot }),
      ...(isTest !== undefined && { test: isTest }),
      ...(cycles !== undefined && { cyclesDelivered: cycles }),
    };
  });

const anyTask: fc.Arbitrary<Partial<FindingTask>> = fc.record({
  rule: fc.constantFrom(...catalogue.map((rule) => rule.code)),
  subject: fc.constantFrom("therapy", "Flag/flag-1", "Device/circuit-1"),
  episode: fc.integer({ min: 1, max: 3 }),
  status: fc.constantFrom<TaskStatus>("requested", "accepted", "completed", "rejected", "entered-in-error"),
  closedBy: fc.constantFrom("service", "person"),
  closedMs: fc.integer({ min: 0, max: 30 }).map((days) => troubled.nowMs - days * 86_400_000),
  clearedSince: fc.boolean(),
});

const anyPicture: fc.Arbitrary<Picture> = fc
  .record({
    // The id is made of the start, so sessions are unique by it.
    sessions: fc.uniqueArray(anySession, { maxLength: 60, selector: (session) => session.sessionId }),
    readUntilDay: fc.integer({ min: 1, max: 28 }),
    flags: fc.subarray<Contraindication>([flag, { ...flag, flagId: "flag-2", class: "relative" }]),
    parts: fc.subarray([circuit, { partId: "mask-1", kind: "mask", fittedDay: "2026-03-01", soiledDay: "2026-03-15" }]),
    tasks: fc.array(anyTask, { maxLength: 12 }),
    held: fc.boolean(),
  })
  .map(({ sessions, readUntilDay, flags, parts, tasks, held }) => {
    const [endMs, startMs] = [
      instant(`2026-02-${String(readUntilDay).padStart(2, "0")}T12:00`),
      instant("2026-01-01T00:00"),
    ];
    return examplePicture({
      sessions,
      parts,
      coverage: [{ deviceId: "machine-1", uploadId: "u", startMs, endMs: endMs + 15 * 86_400_000 }],
      contraindications: flags,
      plans: [examplePlan({ holds: held ? [{ firstDay: "2026-03-10" }] : [] })],
      tasks: tasks.map((task, index) => taskFor({ ...task, taskId: `task-${index}` })),
    });
  });

describe("whatever the picture", () => {
  test("a second review after the steps are done asks for nothing more", () => {
    fc.assert(
      fc.property(anyPicture, (picture) => {
        const tasks = afterSteps(picture.tasks, review(picture).steps, picture.nowMs);
        expect(review({ ...picture, tasks }).steps).toEqual([]);
      }),
    );
  });

  test("the order and repetition of sessions change nothing", () => {
    const mixed = anyPicture.chain((picture) => {
      const repeated = [...picture.sessions, ...picture.sessions.slice(0, 7)];
      return fc.tuple(fc.constant(picture), fc.shuffledSubarray(repeated, { minLength: repeated.length }));
    });
    fc.assert(
      fc.property(mixed, ([picture, sessions]) => {
        expect(review({ ...picture, sessions })).toEqual(review(picture));
      }),
    );
  });

  test("every safety finding ends with an open Task", () => {
    fc.assert(
      fc.property(anyPicture, (picture) => {
        const { findings, steps } = review(picture);
        const open = openOf(afterSteps(picture.tasks, steps, picture.nowMs)).map(
          (task) => `${task.rule} ${task.subject}`,
        );
        for (const { rule, subject } of findings.filter((finding) => finding.safety)) {
          expect(open).toContain(`${rule} ${subject}`);
        }
      }),
    );
  });

  test("nothing moves the first day of a finding into the future", () => {
    fc.assert(
      fc.property(anyPicture, (picture) => {
        for (const finding of review(picture).findings) expect(finding.sinceDay <= picture.today).toBe(true);
      }),
    );
  });
});
