import { expect, test } from "vitest";
import {
  basePriority,
  escalatedPriority,
  hasOwnPriority,
  morePressing,
  overduePriority,
  pressesMore,
  priorityOfService,
  refreshedPriority,
} from "../../src/domain/task-priority.ts";
import { contraindicated, lowUse, taskOf } from "./task-examples.ts";

test("an urgent finding starts urgent, every other routine", () => {
  expect([basePriority("information"), basePriority("review"), basePriority("urgent")]).toEqual([
    "routine",
    "routine",
    "urgent",
  ]);
});

// https://hl7.org/fhir/R4/valueset-request-priority.html: routine, urgent, asap, stat, each pressing more than the one before
test("priorities press in the order of R4", () => {
  const sorted = (["stat", "routine", "asap", "urgent"] as const).toSorted((a, b) => (pressesMore(a, b) ? 1 : -1));
  expect(sorted).toEqual(["routine", "urgent", "asap", "stat"]);
  expect([pressesMore("asap", "asap"), morePressing("asap", "urgent"), morePressing("routine", "stat")]).toEqual([
    false,
    "asap",
    "stat",
  ]);
});

// common practice, no published source: how soon an overdue task presses more is a deployer's number
test.each([
  ["review", "2026-03-15", undefined],
  ["review", "2026-03-16", "urgent"],
  ["review", "2026-03-22", "urgent"],
  ["review", "2026-03-23", "asap"],
  ["review", "2026-12-31", "asap"],
  ["urgent", "2026-03-15", undefined],
  ["urgent", "2026-03-16", "asap"],
  ["urgent", "2026-12-31", "asap"],
] as const)("due on 15 March with 7 days a step, severity %s, on %s: %s", (severity, today, priority) => {
  expect(overduePriority(severity, "2026-03-15", today, 7)).toBe(priority);
});

test("an interval of no days counts as one day", () => {
  expect(overduePriority("review", "2026-03-15", "2026-03-16", 0)).toBe("urgent");
  expect(overduePriority("review", "2026-03-15", "2026-03-17", 0)).toBe("asap");
});

test("a Task without a due day is never overdue", () => {
  const { dueDay: _, ...task } = taskOf(lowUse);
  expect(escalatedPriority(task, "review", "2030-01-01", 7)).toBeUndefined();
});

test("a Task that has reached its step is raised no further before the next", () => {
  const task = taskOf(lowUse, { dueDay: "2026-03-15", priority: "urgent", servicePriority: "urgent" });
  expect(escalatedPriority(task, "review", "2026-03-22", 7)).toBeUndefined();
  expect(escalatedPriority(task, "review", "2026-03-23", 7)).toBe("asap");
});

test("a priority is a person's where it differs from what the service gave", () => {
  expect(hasOwnPriority(taskOf(lowUse))).toBe(false);
  expect(hasOwnPriority(taskOf(lowUse, { priority: "asap" }))).toBe(true);
  expect(hasOwnPriority(taskOf(contraindicated, { priority: "routine" }))).toBe(true);
});

test("a Task that names no priority counts as routine", () => {
  const { priority: _, ...task } = taskOf(lowUse);
  const { priority: __, ...urgent } = taskOf(contraindicated);
  expect([hasOwnPriority(task), hasOwnPriority(urgent)]).toEqual([false, true]);
});

test("where nobody wrote down what the service gave, it was the base of the severity", () => {
  const { servicePriority: _, ...task } = taskOf(contraindicated);
  expect(priorityOfService(task)).toBe("urgent");
});

test("a refresh follows the severity, and never undoes an escalation", () => {
  const escalated = taskOf(lowUse, { priority: "asap", servicePriority: "asap" });
  expect(refreshedPriority(taskOf(lowUse), "urgent")).toBe("urgent");
  expect(refreshedPriority(taskOf(contraindicated), "review")).toBe("routine");
  expect(refreshedPriority(escalated, "review")).toBe("asap");
  expect(refreshedPriority(escalated, "urgent")).toBe("asap");
  expect(refreshedPriority({ ...escalated, priority: "urgent" }, "urgent")).toBeUndefined();
});
