import { evidenceDigest, type FindingTask, type TaskStep } from "../../src/domain/task.ts";

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
      const taskId = `${rule}-${subject}-${step.episode}`;
      if (after.some((task) => task.taskId === taskId)) throw new Error(`Task ${taskId} raised twice.`);
      const digest = evidenceDigest(step.finding);
      const fresh = { status: "requested", evidenceDigest: digest, clearedSince: false } as const;
      after.push({ taskId, rule, subject, severity, episode: step.episode, ...fresh });
    } else if (step.kind === "refresh") {
      change(step.taskId, { evidenceDigest: evidenceDigest(step.finding), severity: step.finding.severity });
    } else if (step.kind === "add-evidence") {
      change(step.taskId, { evidenceDigest: evidenceDigest(step.finding) });
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
