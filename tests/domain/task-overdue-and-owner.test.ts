import { describe, expect, test } from "vitest";
import type { FindingTask } from "../../src/domain/finding-task.ts";
import { taskSteps } from "../../src/domain/task.ts";
import { context, contraindicated, lowUse, taskOf, untouched } from "./task-examples.ts";

describe("a Task past its due day", () => {
  const since = (dueDay: string, over: Partial<FindingTask> = {}) => taskOf(lowUse, { dueDay, ...over });

  test("is raised by one step from the day after, in the service's hands or in a person's", () => {
    for (const status of [...untouched, "accepted", "in-progress"] as const) {
      expect(taskSteps([lowUse], [since("2026-03-15", { status })], context)).toEqual([]);
      expect(taskSteps([lowUse], [since("2026-03-14", { status })], context)).toEqual([
        {
          kind: "escalate",
          taskId: "task-1",
          priority: "urgent",
          text: "Not done by 2026-03-14, when it was due: priority raised from routine to urgent.",
        },
      ]);
    }
  });

  test("that a person has put on hold waits, unless it is about safety", () => {
    expect(taskSteps([lowUse], [since("2026-03-01", { status: "on-hold" })], context)).toEqual([]);
    const hold = taskOf(contraindicated, { dueDay: "2026-03-14", status: "on-hold" });
    expect(taskSteps([contraindicated], [hold], context)).toMatchObject([{ kind: "escalate", priority: "asap" }]);
  });

  test("keeps a priority that a person has given, higher or lower", () => {
    const own = since("2026-03-01", { priority: "stat" });
    expect(taskSteps([lowUse], [own], context)).toEqual([]);
    const lowered = taskOf(contraindicated, { dueDay: "2026-03-01", priority: "routine" });
    expect(taskSteps([contraindicated], [lowered], context)).toEqual([]);
    const worse = { ...lowUse, severity: "urgent" as const };
    const [refresh, ...more] = taskSteps([worse], [own], context);
    expect(more).toEqual([]);
    expect(refresh).toMatchObject({ kind: "refresh" });
    expect(refresh).not.toHaveProperty("priority");
  });

  test("keeps what an escalation has come to when the evidence changes or presses less", () => {
    const escalated = since("2026-03-14", { priority: "urgent", servicePriority: "urgent" });
    const changed = { ...lowUse, text: "12 of 28 asked sessions." };
    expect(taskSteps([changed], [escalated], context)).toMatchObject([{ kind: "refresh", priority: "urgent" }]);
    const later = { ...escalated, dueDay: "2026-04-01" };
    expect(taskSteps([changed], [later], context)).toMatchObject([{ kind: "refresh", priority: "urgent" }]);
  });

  test("takes new evidence and the next step of priority in one review", () => {
    const changed = { ...lowUse, text: "12 of 28 asked sessions." };
    expect(taskSteps([changed], [since("2026-03-14", { status: "accepted" })], context)).toMatchObject([
      { kind: "add-evidence" },
      { kind: "escalate", priority: "urgent" },
    ]);
    expect(taskSteps([changed], [since("2026-03-14")], context)).toMatchObject([
      { kind: "refresh", priority: "routine" },
      { kind: "escalate", priority: "urgent" },
    ]);
  });

  test("whose finding has cleared is not pressed any more", () => {
    const cleared = since("2026-03-01", { status: "accepted" });
    expect(taskSteps([], [cleared], context)).toEqual([{ kind: "note-cleared", taskId: "task-1" }]);
  });
});

describe("the owner", () => {
  const routed = {
    ...context,
    organizationId: "north",
    thresholds: {
      ...context.thresholds,
      taskRouting: [
        { owner: "CareTeam/all" },
        { rule: "low-use", organizationId: "north", owner: "CareTeam/north" },
        { rule: "low-use", organizationId: "south", owner: "CareTeam/south" },
      ],
    },
  };

  test("is whoever the routing names for the rule and the patient's organisation", () => {
    expect(taskSteps([lowUse, contraindicated], [], routed)).toMatchObject([
      { kind: "raise", owner: "CareTeam/north" },
      { kind: "raise", owner: "CareTeam/all" },
    ]);
  });

  test("is nobody where the routing names none", () => {
    expect(taskSteps([lowUse], [], context)[0]).not.toHaveProperty("owner");
  });

  test("is offered to the next refresh, and a changed routing alone asks for none", () => {
    expect(taskSteps([lowUse], [taskOf(lowUse)], routed)).toEqual([]);
    const changed = { ...lowUse, text: "12 of 28 asked sessions." };
    expect(taskSteps([changed], [taskOf(lowUse)], routed)).toMatchObject([
      { kind: "refresh", owner: "CareTeam/north" },
    ]);
  });
});
