/** Findings, Tasks and statuses that the tests of Tasks share; none of it is changed by any test. */
import type { Finding } from "../../src/domain/finding.ts";
import type { FindingTask, TaskStatus } from "../../src/domain/finding-task.ts";
import { evidenceDigest, type TaskContext } from "../../src/domain/task.ts";

export const DAY_MS = 86_400_000;
export const nowMs = Date.UTC(2026, 2, 15, 12);

export const context: TaskContext = {
  today: "2026-03-15",
  nowMs,
  thresholds: {
    coolDownDays: 14,
    dueDaysBySeverity: { review: 7, urgent: 1 },
    escalateAfterDays: 7,
    taskRouting: [],
  },
  applicable: () => true,
};

export const lowUse: Finding = {
  rule: "low-use",
  subject: "therapy",
  severity: "review",
  safety: false,
  sinceDay: "2026-03-10",
  text: "13 of 28 asked sessions.",
  evidence: [{ name: "sessions-done", text: "13 of 28.", value: 13, unit: "1" }],
  clearsWhen: "Recorded use rises.",
};
export const contraindicated: Finding = {
  ...lowUse,
  rule: "used-while-contraindicated",
  severity: "urgent",
  safety: true,
};

export function taskOf(finding: Finding, over: Partial<FindingTask> = {}): FindingTask {
  return {
    taskId: "task-1",
    rule: finding.rule,
    subject: finding.subject,
    episode: 1,
    status: "requested",
    severity: finding.severity,
    priority: finding.severity === "urgent" ? "urgent" : "routine",
    servicePriority: finding.severity === "urgent" ? "urgent" : "routine",
    dueDay: "2026-03-16",
    evidenceDigest: evidenceDigest(finding),
    clearedSince: false,
    ...over,
  };
}

export const byPerson = (status: TaskStatus, daysAgo: number): Partial<FindingTask> => ({
  status,
  closedBy: "person",
  closedMs: nowMs - daysAgo * DAY_MS,
});

export const untouched = ["draft", "requested", "received", "ready"] as const;
export const workedOn = ["accepted", "in-progress", "on-hold"] as const;
export const finished = ["completed", "rejected", "cancelled", "failed"] as const;
