import fc from "fast-check";
import { describe, expect, test } from "vitest";
import type { Finding } from "../../src/domain/finding.ts";
import type { FindingTask } from "../../src/domain/finding-task.ts";
import { taskSteps } from "../../src/domain/task.ts";
import { type DecisionContext, decisionsOf, explainTask } from "../../src/domain/task-decision.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";
import { byPerson, context, contraindicated, lowUse, taskOf } from "./task-examples.ts";
import { anyFindings, anyTasks } from "./task-histories.ts";

const place: DecisionContext = {
  ...context,
  zone: "Europe/London",
  thresholds: { ...context.thresholds, sources: defaultThresholds.sources },
};

const told = (findings: readonly Finding[], tasks: readonly FindingTask[], over: Partial<DecisionContext> = {}) => {
  const { steps, decision } = explainTask("low-use", "therapy", findings, tasks, { ...place, ...over });
  return [decision, ...steps.map((step) => step.text)];
};

describe("in words", () => {
  test("what is found for the first time is raised", () => {
    expect(told([lowUse], [])).toEqual([
      "raise",
      "Found on 15 March 2026, since 10 March 2026: severity review.",
      "No Task about it is open.",
      "Raised as episode 1, due by 22 March 2026.",
    ]);
  });

  test("what was never found and has no Task asks for nothing", () => {
    expect(told([], [])).toEqual([
      "nothing",
      "Not found on 15 March 2026.",
      "No Task about it is open.",
      "So nothing is done.",
    ]);
  });

  test("information raises no Task", () => {
    expect(told([{ ...lowUse, severity: "information" }], [])).toContain("Severity information raises no Task.");
  });

  test("a person's closing holds for the cool-down, whose number says where it comes from", () => {
    const task = taskOf(lowUse, byPerson("rejected", 3));
    expect(told([lowUse], [task])).toEqual([
      "nothing",
      "Found on 15 March 2026, since 10 March 2026: severity review.",
      "A person closed Task/task-1, episode 1 on 12 March 2026 (rejected); the cool-down of 14 days runs until 26 March 2026.",
      "So nothing is done.",
    ]);
    const step = explainTask("low-use", "therapy", [lowUse], [task], place).steps.find(
      (one) => one.name === "cool-down",
    );
    expect(step).toMatchObject({ threshold: 14, unit: "d", holds: false, reference: "Task/task-1" });
    expect(step?.source).toBe(defaultThresholds.sources.coolDownDays);
  });

  test("after the cool-down it is raised as the next episode", () => {
    const [decision, , cool, raised] = told([lowUse], [taskOf(lowUse, byPerson("completed", 14))]);
    expect([decision, raised]).toEqual(["raise", "Raised as episode 2, due by 22 March 2026."]);
    expect(cool).toContain("the cool-down of 14 days ended on 15 March 2026");
  });

  test("a matter of safety is not held back by anybody's closing", () => {
    const urgent = { ...contraindicated, rule: "low-use" };
    const [decision, , why] = told([urgent], [taskOf(urgent, byPerson("completed", 0))]);
    expect([decision, why]).toEqual([
      "raise",
      "A person closed Task/task-1, episode 1 on 15 March 2026 (completed); a matter of safety is not held back by that.",
    ]);
  });

  test("what a person works on gets evidence and, when overdue, a higher priority", () => {
    const task = taskOf(lowUse, { status: "accepted", dueDay: "2026-03-14" });
    expect(told([{ ...lowUse, text: "Less." }], [task])).toEqual([
      "add-evidence",
      "Found on 15 March 2026, since 10 March 2026: severity review.",
      "Task/task-1, episode 1 is open (accepted), in a person's hands: only evidence and, when overdue, priority are added.",
      "What is found now reads differently from what it tells.",
      "Due by 14 March 2026: overdue.",
      "Task/task-1, episode 1: evidence is added; status, owner and priority stay.",
      "Task/task-1, episode 1: Not done by 2026-03-14, when it was due: priority raised from routine to urgent.",
    ]);
  });

  test("why an overdue Task is not escalated: it is on hold, or a person has set its priority", () => {
    const due = { dueDay: "2026-03-01" };
    expect(told([lowUse], [taskOf(lowUse, { ...due, status: "on-hold" })])).toContain(
      "A person put it on hold and it is not about safety: its priority waits.",
    );
    expect(told([lowUse], [taskOf(lowUse, { ...due, priority: "stat" })])).toContain(
      "A person has given it the priority stat: that stays.",
    );
  });

  test("what has cleared is closed, or noted where a person works on it, once", () => {
    expect(told([], [taskOf(lowUse)]).at(-1)).toBe(
      "Task/task-1, episode 1: closed as completed. No longer found on 2026-03-15.",
    );
    expect(told([], [taskOf(lowUse, { status: "accepted" })])[0]).toBe("note-cleared");
    expect(told([], [taskOf(lowUse, { status: "accepted", clearedSince: true })])).toContain(
      "That the finding has cleared is noted on it already.",
    );
  });

  test("a Task entered in error does not count", () => {
    expect(told([lowUse], [taskOf(lowUse, byPerson("entered-in-error", 1))])).toContain(
      "Task/task-1, episode 1 was entered in error and does not count.",
    );
  });
});

describe("whatever the history", () => {
  test("each thing that the review does is told once, in its order, and nothing else is", () => {
    const deeds = ["raise", "refresh", "add-evidence", "escalate", "close", "note-cleared"];
    fc.assert(
      fc.property(anyFindings, anyTasks, (findings, tasks) => {
        const done = taskSteps(findings, tasks, place).map((step) => step.kind);
        const decisions = decisionsOf(findings, tasks, place);
        const words = decisions.flatMap(({ steps }) =>
          steps.map((step) => step.name).filter((one) => deeds.includes(one)),
        );
        expect(words).toEqual(done);
        expect(decisions.filter(({ decision }) => decision !== "nothing").length > 0).toBe(done.length > 0);
      }),
      { numRuns: 1000 },
    );
  });

  test("the last step holds exactly when something is done, and every reason for doing nothing is one that does not hold", () => {
    fc.assert(
      fc.property(anyFindings, anyTasks, (findings, tasks) => {
        for (const { steps, decision } of decisionsOf(findings, tasks, place)) {
          expect(steps.at(-1)?.holds).toBe(decision !== "nothing");
          if (decision === "nothing") expect(steps.slice(0, -1).some((step) => !step.holds)).toBe(true);
        }
      }),
      { numRuns: 1000 },
    );
  });

  test("a cool-down that is said to run is what holds the finding back", () => {
    fc.assert(
      fc.property(anyFindings, anyTasks, (findings, tasks) => {
        for (const { steps, decision } of decisionsOf(findings, tasks, place)) {
          const runs = steps.some((step) => step.name === "cool-down" && !step.holds);
          if (runs) expect(decision).toBe("nothing");
          const none = steps.some((step) => ["safety", "cleared-since"].includes(step.name));
          if (none) expect(decision).toBe("raise");
        }
      }),
      { numRuns: 1000 },
    );
  });
});
