import type { Severity } from "./finding.ts";
import type { EpochMs, LocalDay } from "./time.ts";

/** R4 task status (https://hl7.org/fhir/R4/valueset-task-status.html). */
export type TaskStatus =
  | "draft"
  | "requested"
  | "received"
  | "accepted"
  | "rejected"
  | "ready"
  | "cancelled"
  | "in-progress"
  | "on-hold"
  | "failed"
  | "completed"
  | "entered-in-error";

/** R4 request priority, the least pressing first (https://hl7.org/fhir/R4/valueset-request-priority.html). */
export type TaskPriority = "routine" | "urgent" | "asap" | "stat";

/** A Task that a finding raised, as the review sees it. */
export interface FindingTask {
  readonly taskId: string;
  readonly rule: string;
  readonly subject: string;
  /** 1 for the first Task ever raised for this rule and subject. */
  readonly episode: number;
  readonly status: TaskStatus;
  readonly severity: Severity;
  /** Absent on a Task that names none. */
  readonly priority?: TaskPriority;
  /** The priority that the service gave it last; where `priority` differs, a person has changed it. */
  readonly servicePriority?: TaskPriority;
  /** `restriction.period.end` as a local day. */
  readonly dueDay?: LocalDay;
  /** Fingerprint of text and evidence at the last refresh. */
  readonly evidenceDigest: string;
  readonly closedMs?: EpochMs;
  /** Who closed it; absent while open. */
  readonly closedBy?: "service" | "person";
  /** Whether the finding has been seen cleared since a person closed it, or while a person works on it. */
  readonly clearedSince: boolean;
}

/** Only the two statuses that the service closes with can be its own; a closing that names nobody counts as a person's. */
export function closedByService(task: FindingTask): boolean {
  return task.closedBy === "service" && (task.status === "completed" || task.status === "cancelled");
}

/** Whether nobody works on a Task of this status any more. */
export function isClosed(status: TaskStatus): boolean {
  return handOf(status) === "closed";
}

/** In whose hands a Task is: still the service's, a person's, or closed. */
export type Hand = "service" | "person" | "closed";

/** In whose hands a Task of this status is. */
export function handOf(status: TaskStatus): Hand {
  switch (status) {
    case "draft":
    case "requested":
    case "received":
    case "ready":
      return "service";
    case "accepted":
    case "in-progress":
    case "on-hold":
      return "person";
    default:
      return "closed";
  }
}
