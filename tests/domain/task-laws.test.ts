import fc from "fast-check";
import { describe, expect, test } from "vitest";
import type { FindingTask, TaskPriority, TaskStatus } from "../../src/domain/finding-task.ts";
import { addDays } from "../../src/domain/local-day.ts";
import { evidenceDigest, type TaskContext, taskSteps } from "../../src/domain/task.ts";
import { context, contraindicated, DAY_MS, lowUse, nowMs, workedOn } from "./task-examples.ts";
import { anyFindings, anyTasks } from "./task-histories.ts";
import { afterSteps, openOf } from "./task-model.ts";

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

  test("a priority is never lowered but by a severity that fell, never touched where a person gave it, never made stat", () => {
    const rank = (priority: TaskPriority | undefined) =>
      ["routine", "urgent", "asap", "stat"].indexOf(priority ?? "routine");
    fc.assert(
      fc.property(anyFindings, anyTasks, (findings, tasks) => {
        const after = afterSteps(tasks, taskSteps(findings, tasks, context), nowMs);
        for (const task of tasks) {
          const then = after.find((one) => one.taskId === task.taskId);
          const given = task.servicePriority ?? (task.severity === "urgent" ? "urgent" : "routine");
          if ((task.priority ?? "routine") !== given) expect(then?.priority).toBe(task.priority);
          if (then?.priority === "stat") expect(task.priority).toBe("stat");
          const fell = task.severity === "urgent" && then?.severity !== "urgent";
          if (!fell) expect(rank(then?.priority)).toBeGreaterThanOrEqual(rank(task.priority));
        }
      }),
      { numRuns: 2000 },
    );
  });

  test("a Task that is overdue and the service's to press ends above the base of its severity, whatever else changes", () => {
    fc.assert(
      fc.property(anyFindings, anyTasks, (findings, tasks) => {
        const after = afterSteps(tasks, taskSteps(findings, tasks, context), nowMs);
        const found = (task: FindingTask) =>
          findings.some((one) => sameKey(task, one) && one.severity !== "information");
        for (const task of openOf(after).filter((one) => found(one) && one.status !== "on-hold")) {
          const overdue = task.dueDay !== undefined && task.dueDay < context.today;
          if (overdue && task.priority === task.servicePriority) expect(task.priority).not.toBe("routine");
        }
      }),
      { numRuns: 2000 },
    );
  });

  test("what is routed changes who is asked and nothing else", () => {
    const anyRouting = fc.array(
      fc.record(
        {
          rule: fc.constantFrom("low-use", "long-sitting"),
          organizationId: fc.constantFrom("north", "south"),
          owner: fc.constantFrom("CareTeam/a", "CareTeam/b"),
        },
        { requiredKeys: ["owner"] },
      ),
      { maxLength: 4 },
    );
    fc.assert(
      fc.property(anyFindings, anyTasks, anyRouting, (findings, tasks, taskRouting) => {
        const routed: TaskContext = {
          ...context,
          organizationId: "north",
          thresholds: { ...context.thresholds, taskRouting },
        };
        const withoutOwners = taskSteps(findings, tasks, routed).map((step) => {
          const { owner: _, ...rest } = step as { owner?: string };
          return rest;
        });
        expect(withoutOwners).toEqual(taskSteps(findings, tasks, context));
        expect(taskSteps(findings, afterSteps(tasks, taskSteps(findings, tasks, routed), nowMs), routed)).toEqual([]);
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

test("over weeks an untouched Task has the priority of its overdue days whenever it is looked at, however often its evidence changes", () => {
  const look = fc.record({ gapDays: fc.integer({ min: 0, max: 9 }), text: fc.constantFrom("one", "two") });
  fc.assert(
    fc.property(
      fc.array(look, { minLength: 1, maxLength: 20 }),
      fc.integer({ min: 1, max: 10 }),
      (looks, everyDays) => {
        const thresholds = { ...context.thresholds, escalateAfterDays: everyDays };
        let tasks: FindingTask[] = [];
        let day = 0;
        const order = ["routine", "urgent", "asap"];
        for (const { gapDays, text } of looks) {
          day += gapDays;
          const place = { ...context, today: addDays(context.today, day), nowMs: nowMs + day * DAY_MS, thresholds };
          // Raised on the first look, due 7 days on.
          tasks = afterSteps(tasks, taskSteps([{ ...lowUse, text }], tasks, place), place.nowMs);
          const overdue = day - (looks[0]?.gapDays ?? 0) - 7;
          const steps = overdue <= 0 ? 0 : Math.ceil(overdue / everyDays);
          expect(tasks.map((task) => task.priority)).toEqual([order[Math.min(2, steps)]]);
        }
      },
    ),
    { numRuns: 500 },
  );
});
