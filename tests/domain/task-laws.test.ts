import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { evidenceDigest, type FindingTask, type TaskStatus, taskSteps } from "../../src/domain/task.ts";
import {
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
import { afterSteps, openOf } from "./task-model.ts";

const anyFinding = fc.record({
  rule: fc.constantFrom("low-use", "long-sitting"),
  subject: fc.constantFrom("therapy", "Flag/1"),
  severity: fc.constantFrom("information", "review", "urgent"),
  safety: fc.boolean(),
  sinceDay: fc.constant("2026-03-10"),
  text: fc.constantFrom("one", "two"),
  evidence: fc.constant([]),
  clearsWhen: fc.constant("later"),
});

const anyTask = fc
  .record({
    finding: anyFinding,
    status: fc.constantFrom(...untouched, ...workedOn, ...finished),
    episode: fc.integer({ min: 1, max: 4 }),
    daysAgo: fc.integer({ min: 0, max: 30 }),
    closedBy: fc.constantFrom("service" as const, "person" as const),
    clearedSince: fc.boolean(),
  })
  .map(({ finding, status, episode, daysAgo, closedBy, clearedSince }) => {
    const closing =
      openOf([taskOf(finding, { status })]).length > 0 ? {} : { closedBy, closedMs: nowMs - daysAgo * DAY_MS };
    return taskOf(finding, { status, episode, clearedSince, ...closing });
  });

// Any history at all, several open Tasks of one key included.
const anyTasks = fc
  .array(anyTask, { maxLength: 8 })
  .map((tasks) => tasks.map((task, index) => ({ ...task, taskId: `t${index}` })));
const anyFindings = fc.array(anyFinding, { maxLength: 4 });

const sameKey = (task: FindingTask, { rule, subject }: { rule: string; subject: string }) =>
  task.rule === rule && task.subject === subject;

describe("whatever the history", () => {
  test("doing the steps and looking again asks for nothing more", () => {
    fc.assert(
      fc.property(anyFindings, anyTasks, fc.boolean(), (findings, tasks, applies) => {
        const place = { ...context, applicable: () => applies };
        const after = afterSteps(tasks, taskSteps(findings, tasks, place), nowMs);
        expect(taskSteps(findings, after, place)).toEqual([]);
      }),
      { numRuns: 2000 },
    );
  });

  test("a safety finding ends with an open Task", () => {
    fc.assert(
      fc.property(anyFindings, anyTasks, (others, tasks) => {
        const findings = [
          ...others.filter((one) => one.rule !== contraindicated.rule),
          { ...contraindicated, rule: "low-use" },
        ];
        const ours = findings.filter((one) => one.rule !== "low-use" || one.safety);
        const after = afterSteps(tasks, taskSteps(ours, tasks, context), nowMs);
        expect(openOf(after).some((task) => sameKey(task, { rule: "low-use", subject: "therapy" }))).toBe(true);
      }),
      { numRuns: 2000 },
    );
  });

  test("a finding ends with at most one open Task, unless persons work on several", () => {
    fc.assert(
      fc.property(anyFindings, anyTasks, (findings, tasks) => {
        const after = openOf(afterSteps(tasks, taskSteps(findings, tasks, context), nowMs));
        for (const task of after) {
          const others = after.filter((other) => sameKey(other, task));
          const held = others.filter((other) => (workedOn as readonly string[]).includes(other.status));
          expect(others.length).toBeLessThanOrEqual(Math.max(1, held.length));
        }
      }),
      { numRuns: 2000 },
    );
  });

  test("what a person works on keeps its status and severity", () => {
    fc.assert(
      fc.property(anyFindings, anyTasks, (findings, tasks) => {
        const after = afterSteps(tasks, taskSteps(findings, tasks, context), nowMs);
        for (const task of tasks.filter((one) => (workedOn as readonly string[]).includes(one.status))) {
          const { status, severity } = after.find((one) => one.taskId === task.taskId) ?? {};
          expect({ status, severity }).toEqual({ status: task.status, severity: task.severity });
        }
      }),
    );
  });

  test("the order of findings and Tasks changes nothing", () => {
    fc.assert(
      fc.property(anyFindings, anyTasks, (findings, tasks) => {
        const told = (steps: object[]) => JSON.stringify(steps);
        const forth = taskSteps(findings, tasks, context);
        // Findings of one key that differ only in what no reader sees may stand for each other.
        const back = taskSteps(findings.toReversed(), tasks.toReversed(), context);
        const seen = (steps: typeof forth) =>
          steps.map((step) => ("finding" in step ? { ...step, finding: evidenceDigest(step.finding) } : step));
        expect(told(seen(back))).toBe(told(seen(forth)));
      }),
    );
  });
});

test("over weeks of reviews and replies, what a person closed stays quiet for its cool-down unless it cleared", () => {
  const day = fc.record({
    found: fc.boolean(),
    reply: fc.constantFrom("none", "none", "accepted", "completed", "rejected"),
  });
  fc.assert(
    fc.property(fc.array(day, { minLength: 5, maxLength: 60 }), (days) => {
      let tasks: FindingTask[] = [];
      let closedOn: number | undefined;
      days.forEach(({ found, reply }, index) => {
        const time = nowMs + index * DAY_MS;
        const steps = taskSteps(found ? [lowUse] : [], tasks, { ...context, nowMs: time });
        if (!found) closedOn = undefined;
        if (closedOn !== undefined && index - closedOn < 14) expect(steps).toEqual([]);
        tasks = afterSteps(tasks, steps, time);
        expect(openOf(tasks).length).toBeLessThanOrEqual(1);
        const [open] = openOf(tasks);
        if (open === undefined || reply === "none") return;
        const closes = reply !== "accepted";
        const over: Partial<FindingTask> = closes
          ? { status: reply as TaskStatus, closedBy: "person", closedMs: time }
          : { status: "accepted" };
        tasks = tasks.map((task) => (task === open ? { ...task, ...over } : task));
        // Seen cleared while the person worked on it: it may speak again at once, and this test says nothing.
        if (closes) closedOn = open.clearedSince ? undefined : index;
      });
    }),
    { numRuns: 500 },
  );
});
