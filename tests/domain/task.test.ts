import { describe, expect, test } from "vitest";
import type { Finding } from "../../src/domain/finding.ts";
import { dedupKey, evidenceDigest, taskSteps } from "../../src/domain/task.ts";
import {
  byPerson,
  context,
  contraindicated,
  DAY_MS,
  finished,
  lowUse,
  nowMs,
  taskOf,
  untouched,
  workedOn,
} from "./task-examples.ts";

test("these tests know every status of R4", () => {
  // https://hl7.org/fhir/R4/valueset-task-status.html lists twelve.
  expect(new Set([...untouched, ...workedOn, ...finished, "entered-in-error"]).size).toBe(12);
});

describe("a finding without a Task", () => {
  test("raises one, due in 7 days for review and in 1 day when urgent", () => {
    expect(taskSteps([lowUse], [], context)).toEqual([
      { kind: "raise", finding: lowUse, episode: 1, dueDay: "2026-03-22" },
    ]);
    expect(taskSteps([contraindicated], [], context)).toMatchObject([{ kind: "raise", dueDay: "2026-03-16" }]);
  });

  test("raises none when it is information only", () => {
    expect(taskSteps([{ ...lowUse, severity: "information" }], [], context)).toEqual([]);
  });

  test("is raised once, however often it is listed, by its most pressing wording", () => {
    const urgent = { ...lowUse, severity: "urgent" as const };
    expect(taskSteps([lowUse, urgent, lowUse], [], context)).toMatchObject([{ kind: "raise", finding: urgent }]);
  });

  test("of two wordings the one about safety counts, so that no cool-down holds it back", () => {
    const safety = { ...lowUse, safety: true };
    const steps = taskSteps(
      [{ ...lowUse, severity: "urgent" }, safety],
      [taskOf(lowUse, byPerson("rejected", 1))],
      context,
    );
    expect(steps).toMatchObject([{ kind: "raise", finding: safety, episode: 2 }]);
  });

  test("two subjects of one rule are two Tasks", () => {
    expect(taskSteps([lowUse, { ...lowUse, subject: "Device/1" }], [], context)).toHaveLength(2);
  });
});

describe.each(untouched)("a Task of status %s that nobody has touched", (status) => {
  test("stays as it is while nothing has changed", () => {
    expect(taskSteps([lowUse], [taskOf(lowUse, { status })], context)).toEqual([]);
    expect(taskSteps([{ ...lowUse, sinceDay: "2026-03-11" }], [taskOf(lowUse, { status })], context)).toEqual([]);
  });

  test("is refreshed when the evidence or the severity has changed", () => {
    const changed = { ...lowUse, text: "12 of 28 asked sessions." };
    expect(taskSteps([changed], [taskOf(lowUse, { status })], context)).toEqual([
      { kind: "refresh", taskId: "task-1", finding: changed, dueDay: "2026-03-22", priority: "routine" },
    ]);
    expect(taskSteps([lowUse], [taskOf(lowUse, { status, severity: "urgent" })], context)).toMatchObject([
      { kind: "refresh" },
    ]);
  });

  test("is completed when the finding has cleared", () => {
    expect(taskSteps([], [taskOf(lowUse, { status })], context)).toEqual([
      {
        kind: "close",
        taskId: "task-1",
        status: "completed",
        reason: "cleared",
        evidence: [{ name: "cleared", text: "No longer found on 2026-03-15." }],
      },
    ]);
  });

  test("is completed when the finding has become information only", () => {
    const information = { ...lowUse, severity: "information" as const };
    expect(taskSteps([information], [taskOf(lowUse, { status })], context)).toMatchObject([
      { kind: "close", reason: "cleared" },
    ]);
  });

  test("is cancelled when the rule no longer applies", () => {
    const gone = {
      ...context,
      applicable: (rule: string, subject: string) => rule !== "low-use" || subject !== "therapy",
    };
    expect(taskSteps([], [taskOf(lowUse, { status })], gone)).toMatchObject([
      { kind: "close", status: "cancelled", reason: "no-longer-applies" },
    ]);
  });
});

describe.each(workedOn)("a Task of status %s, in a person's hands", (status) => {
  test("gets new evidence and nothing else", () => {
    expect(taskSteps([lowUse], [taskOf(lowUse, { status })], context)).toEqual([]);
    const changed = { ...lowUse, severity: "urgent" as const };
    expect(taskSteps([changed], [taskOf(lowUse, { status })], context)).toEqual([
      { kind: "add-evidence", taskId: "task-1", finding: changed },
    ]);
  });

  test("is never closed; that the finding has cleared is noted once", () => {
    const gone = { ...context, applicable: () => false };
    for (const place of [context, gone]) {
      expect(taskSteps([], [taskOf(lowUse, { status })], place)).toEqual([{ kind: "note-cleared", taskId: "task-1" }]);
      expect(taskSteps([], [taskOf(lowUse, { status, clearedSince: true })], place)).toEqual([]);
    }
  });
});

describe.each(finished)("a Task that a person closed as %s", (status) => {
  test("is not raised again before the cool-down of 14 days, and is from then on", () => {
    const almost = taskOf(lowUse, { ...byPerson(status, 14), closedMs: nowMs - 14 * DAY_MS + 1 });
    expect(taskSteps([lowUse], [almost], context)).toEqual([]);
    expect(taskSteps([lowUse], [taskOf(lowUse, byPerson(status, 14))], context)).toMatchObject([
      { kind: "raise", episode: 2 },
    ]);
  });

  test("is raised again at once if the finding had cleared in between", () => {
    const task = taskOf(lowUse, { ...byPerson(status, 1), clearedSince: true });
    expect(taskSteps([lowUse], [task], context)).toMatchObject([{ kind: "raise", episode: 2 }]);
  });

  test("is raised again at once if it is about safety", () => {
    const task = taskOf(contraindicated, byPerson(status, 0));
    expect(taskSteps([contraindicated], [task], context)).toMatchObject([{ kind: "raise", episode: 2 }]);
  });

  test("has noted, once, that the finding cleared", () => {
    const task = taskOf(lowUse, byPerson(status, 1));
    expect(taskSteps([], [task], context)).toEqual([{ kind: "note-cleared", taskId: "task-1" }]);
    expect(taskSteps([], [{ ...task, clearedSince: true }], context)).toEqual([]);
  });
});

describe("a Task that is closed", () => {
  test.each(["completed", "cancelled"] as const)(
    "by the service as %s is raised again whenever it is found",
    (status) => {
      const task = taskOf(lowUse, { status, closedBy: "service", closedMs: nowMs });
      expect(taskSteps([lowUse], [task], context)).toMatchObject([{ kind: "raise", episode: 2 }]);
      expect(taskSteps([], [task], context)).toEqual([]);
    },
  );

  test("with a status that the service never closes with counts as closed by a person, whoever is named", () => {
    const task = taskOf(lowUse, { status: "failed", closedBy: "service", closedMs: nowMs });
    expect(taskSteps([lowUse], [task], context)).toEqual([]);
  });

  test("by nobody named counts as closed by a person", () => {
    expect(taskSteps([lowUse], [taskOf(lowUse, { status: "completed", closedMs: nowMs })], context)).toEqual([]);
  });
});

describe("a Task entered in error", () => {
  const error = taskOf(lowUse, { taskId: "b", episode: 2, ...byPerson("entered-in-error", 0) });

  // R4: "This individual task should never have existed" (https://hl7.org/fhir/R4/valueset-task-status.html, from memory).
  test("holds nothing back: what is found is raised anew at once, as the next episode", () => {
    expect(taskSteps([lowUse], [error], context)).toMatchObject([{ kind: "raise", episode: 3 }]);
  });

  test("has nothing noted when the finding has cleared", () => {
    expect(taskSteps([], [error], context)).toEqual([]);
  });

  test("does not end the cool-down of the one that a person closed before", () => {
    const before = taskOf(lowUse, byPerson("rejected", 13));
    expect(taskSteps([lowUse], [before, error], context)).toEqual([]);
    expect(taskSteps([lowUse], [taskOf(lowUse, byPerson("rejected", 14)), error], context)).toMatchObject([
      { kind: "raise", episode: 3 },
    ]);
  });

  test("beside one that is still open raises no second", () => {
    expect(taskSteps([lowUse], [taskOf(lowUse), error], context)).toEqual([]);
  });
});

describe("several Tasks of one rule and subject", () => {
  test("the highest episode matters, in whatever order they are listed", () => {
    const first = taskOf(lowUse, { taskId: "a", status: "completed", closedBy: "service", closedMs: nowMs - DAY_MS });
    const second = taskOf(lowUse, { taskId: "b", episode: 2, ...byPerson("rejected", 1) });
    expect(taskSteps([lowUse], [first, second], context)).toEqual([]);
    expect(taskSteps([lowUse], [second, first], context)).toEqual([]);
  });

  test("two open ones, as a merge of two records leaves them, become one", () => {
    const [one, two] = [taskOf(lowUse, { taskId: "a" }), taskOf(lowUse, { taskId: "b", episode: 2 })];
    const [step, ...more] = taskSteps([lowUse], [one, two], context);
    expect(step).toMatchObject({ kind: "close", taskId: "a", status: "cancelled" });
    expect(more).toEqual([]);
  });

  test("of two open ones the one that a person works on stays", () => {
    const [one, two] = [
      taskOf(lowUse, { taskId: "a", status: "accepted" }),
      taskOf(lowUse, { taskId: "b", episode: 2 }),
    ];
    expect(taskSteps([lowUse], [one, two], context)).toMatchObject([{ kind: "close", taskId: "b" }]);
  });
});

describe("the digest of a finding", () => {
  test.each<[string, Partial<Finding>, boolean]>([
    ["text", { text: "other" }, true],
    ["severity", { severity: "urgent" }, true],
    ["a value", { evidence: [{ name: "sessions-done", text: "13 of 28.", value: 12, unit: "1" }] }, true],
    [
      "a reference",
      { evidence: [{ name: "sessions-done", text: "13 of 28.", value: 13, unit: "1", reference: "X/1" }] },
      true,
    ],
    ["version of the thresholds", { thresholdsVersion: "defaults-2/tenant-3" }, true],
    ["the first day", { sinceDay: "2026-03-14" }, false],
  ])("with another %s: %j changes it: %s", (_name, over, changes) => {
    expect(evidenceDigest({ ...lowUse, ...over }) !== evidenceDigest(lowUse)).toBe(changes);
  });

  test("is the same on every run and machine", () => {
    expect(evidenceDigest(lowUse)).toMatch(/^[0-9a-f]{16}$/);
    const { subject, rule, ...others } = lowUse;
    expect(evidenceDigest({ ...others, rule, subject })).toBe(evidenceDigest(lowUse));
  });
});

test("the deduplication key tells patients, rules and subjects apart", () => {
  expect(dedupKey("p1", "low-use", "therapy")).toBe("p1|low-use|therapy");
  expect(dedupKey(undefined, "unmatched-record", "device:s|v")).toBe("|unmatched-record|device:s|v");
});
