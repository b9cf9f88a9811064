import type { Evidence, Finding, Severity } from "./finding.ts";
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

/** A Task that a finding raised, as the review sees it. */
export interface FindingTask {
  readonly taskId: string;
  readonly rule: string;
  readonly subject: string;
  /** 1 for the first Task ever raised for this rule and subject. */
  readonly episode: number;
  readonly status: TaskStatus;
  readonly severity: Severity;
  /** Fingerprint of text and evidence at the last refresh. */
  readonly evidenceDigest: string;
  readonly closedMs?: EpochMs;
  /** Who closed it; absent while open. */
  readonly closedBy?: "service" | "person";
  /** Whether the finding has been seen cleared since a person closed it, or while a person works on it. */
  readonly clearedSince: boolean;
}

/** What a review wants done to the Tasks. */
export type TaskStep =
  | { readonly kind: "raise"; readonly finding: Finding; readonly episode: number; readonly dueDay: LocalDay }
  | { readonly kind: "refresh"; readonly taskId: string; readonly finding: Finding; readonly dueDay: LocalDay }
  /** A person works on it: evidence is added, status, owner and priority stay. */
  | { readonly kind: "add-evidence"; readonly taskId: string; readonly finding: Finding }
  | {
      readonly kind: "close";
      readonly taskId: string;
      readonly status: "completed" | "cancelled";
      readonly reason: "cleared" | "no-longer-applies";
      readonly evidence: readonly Evidence[];
    }
  /** A person closed it or works on it and the finding has cleared: noted, nothing else touched. */
  | { readonly kind: "note-cleared"; readonly taskId: string };
