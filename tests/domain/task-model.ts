import type { FindingTask } from "../../src/domain/finding-task.ts";
import { evidenceDigest, type TaskStep } from "../../src/domain/task.ts";

const orderedPriority = (urgent: boolean) => (urgent ? "urgent" : "routine");

/** The Tasks after the steps are done: a small model of what the service writes, for tests only. */
export function afterSteps(tasks: readonly FindingTask[], steps: readonly TaskStep[], nowMs: number): FindingTask[] {
  let after = [...tasks];
  const change = (taskId: string, over: Partial<FindingTask>) => {
    if (!after.some((task) => task.taskId === taskId)) throw new Error(`No task ${taskId} to change.`);
    after = after.map((task) => (task.taskId === taskId ? { ...task, ...over } : task));
  };
  for (const step of steps) {
    if (step.kind === "raise") {
      const { rule, subject, severity } = step.finding;
      const { episode, dueDay } = step;
      const taskId = `${rule}-${subject}-${step.episode}`;
      if (after.some((task) => task.taskId === taskId)) throw new Error(`Task ${taskId} raised twice.`);
      const digest = evidenceDigest(step.finding);
      const fresh = { status: "requested", evidenceDigest: digest, clearedSince: false } as const;
      const priority = orderedPriority(severity === "urgent");
      after.push({ taskId, rule, subject, severity, episode, dueDay, priority, servicePriority: priority, ...fresh });
    } else if (step.kind === "refresh") {
      const task = after.find((one) => one.taskId === step.taskId);
      const before = task?.dueDay;
      const given = task?.servicePriority ?? orderedPriority(task?.severity === "urgent");
      change(step.taskId, {
        evidenceDigest: evidenceDigest(step.finding),
        severity: step.finding.severity,
        dueDay: before !== undefined && before < step.dueDay ? before : step.dueDay,
        ...(step.priority === undefined
          ? { servicePriority: given }
          : { priority: step.priority, servicePriority: step.priority }),
      });
    } else if (step.kind === "add-evidence") {
      change(step.taskId, { evidenceDigest: evidenceDigest(step.finding) });
    } else if (step.kind === "escalate") {
      change(step.taskId, { priority: step.priority, servicePriority: step.priority });
    } else if (step.kind === "close") {
      change(step.taskId, { status: step.status, closedBy: "service", closedMs: nowMs });
    } else {
      change(step.taskId, { clearedSince: true });
    }
  }
  return after;
}

const closed = new Set(["completed", "rejected", "cancelled", "failed", "entered-in-error"]);

/** The Tasks that are neither finished nor called off. */
export function openOf(tasks: readonly FindingTask[]): FindingTask[] {
  return tasks.filter((task) => !closed.has(task.status));
}
