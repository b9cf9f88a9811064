import type { Evidence, Finding, Severity } from "./finding.ts";
import { fingerprint } from "./fingerprint.ts";
import { addDays } from "./local-day.ts";
import type { Thresholds } from "./thresholds.ts";
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

/** What a review wants done to the Tasks. */
export type TaskStep =
  | { readonly kind: "raise"; readonly finding: Finding; readonly episode: number; readonly dueDay: LocalDay }
  /** `dueDay` counts from this refresh; only ever bring a Task's due day forward, or changing evidence puts it off for ever. */
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

/** What `taskSteps` must know beside findings and Tasks. */
export interface TaskContext {
  readonly today: LocalDay;
  readonly nowMs: EpochMs;
  readonly thresholds: Pick<Thresholds, "coolDownDays" | "dueDaysBySeverity">;
  /** Whether a rule can still say anything about a subject; false closes what it raised as no longer applying. */
  readonly applicable: (rule: string, subject: string) => boolean;
}

const DAY_MS = 86_400_000;

/**
 * What one review wants done to one patient's Tasks, so that each finding has at most one open Task. Doing it and
 * reviewing again asks for nothing more. Findings of severity `information` count as not found.
 * Of several Tasks of one rule and subject the highest episode matters, and whatever else is still open: merging two
 * records of one person can leave two. What a person works on is never closed here, so only those can stay more than one.
 */
export function taskSteps(
  findings: readonly Finding[],
  tasks: readonly FindingTask[],
  context: TaskContext,
): TaskStep[] {
  const found = new Map<string, Finding>();
  for (const finding of [...findings].sort(mostPressingFirst)) {
    const key = keyOf(finding);
    if (finding.severity !== "information" && !found.has(key)) found.set(key, finding);
  }
  const histories = new Map<string, FindingTask[]>();
  for (const task of tasks) histories.set(keyOf(task), [...(histories.get(keyOf(task)) ?? []), task]);
  const keys = [...new Set([...found.keys(), ...histories.keys()])].sort();
  return keys.flatMap((key) => stepsOf(found.get(key), histories.get(key) ?? [], context));
}

/** What makes a Task one of its kind within a tenant; rule codes and ids hold no `|`. A finding about no patient has no id. */
export function dedupKey(patientId: string | undefined, rule: string, subject: string): string {
  return `${patientId ?? ""}|${rule}|${subject}`;
}

/**
 * Fingerprint of what a finding tells its reader: severity, text and evidence, in order. `sinceDay` is left out: it
 * moves with a trailing window although nothing has happened.
 */
export function evidenceDigest({ severity, text, evidence }: Finding): string {
  const rows = evidence.map((one) => [one.name, one.text, one.value ?? null, one.unit ?? null, one.reference ?? null]);
  return fingerprint(JSON.stringify([severity, text, rows]));
}

function stepsOf(finding: Finding | undefined, history: readonly FindingTask[], context: TaskContext): TaskStep[] {
  const tasks = [...history].sort((a, b) => b.episode - a.episode || (a.taskId < b.taskId ? -1 : 1));
  const [latest] = tasks;
  const inHands = (hand: Hand) => tasks.filter((task) => handOf(task.status) === hand);
  const [ours, theirs] = [inHands("service"), inHands("person")];
  if (finding === undefined) {
    const closed =
      latest !== undefined && handOf(latest.status) === "closed" && !closedByService(latest) ? [latest] : [];
    const noted = [...theirs, ...closed].filter((task) => !task.clearedSince);
    return [
      ...ours.map((task) => closing(task, context)),
      ...noted.map(({ taskId }): TaskStep => ({ kind: "note-cleared", taskId })),
    ];
  }
  const digest = evidenceDigest(finding);
  const [kept, ...surplus] = theirs.length > 0 ? [undefined, ...ours] : ours;
  const steps = surplus.flatMap((task) => (task === undefined ? [] : [superseding(task)]));
  for (const { taskId, evidenceDigest: told } of theirs) {
    if (told !== digest) steps.push({ kind: "add-evidence", taskId, finding });
  }
  if (kept !== undefined && (kept.evidenceDigest !== digest || kept.severity !== finding.severity)) {
    steps.push({ kind: "refresh", taskId: kept.taskId, finding, dueDay: dueDayOf(finding, context) });
  }
  const mayRaise = latest === undefined || maySpeakAgain(latest, finding, context);
  if (ours.length + theirs.length === 0 && mayRaise) {
    steps.push({ kind: "raise", finding, episode: (latest?.episode ?? 0) + 1, dueDay: dueDayOf(finding, context) });
  }
  return steps;
}

function closing({ taskId, rule, subject }: FindingTask, { today, applicable }: TaskContext): TaskStep {
  if (applicable(rule, subject)) {
    const evidence = [{ name: "cleared", text: `No longer found on ${today}.` }];
    return { kind: "close", taskId, status: "completed", reason: "cleared", evidence };
  }
  const evidence = [{ name: "no-longer-applies", text: `No longer applies on ${today}.` }];
  return { kind: "close", taskId, status: "cancelled", reason: "no-longer-applies", evidence };
}

function superseding({ taskId }: FindingTask): TaskStep {
  const evidence = [{ name: "superseded", text: "Another open task is about the same finding." }];
  return { kind: "close", taskId, status: "cancelled", reason: "no-longer-applies", evidence };
}

function maySpeakAgain(task: FindingTask, finding: Finding, { nowMs, thresholds }: TaskContext): boolean {
  if (finding.safety || task.clearedSince || closedByService(task)) return true;
  // Without a time of closing nobody can say that the cool-down still runs; better asked twice than lost.
  return task.closedMs === undefined || nowMs - task.closedMs >= thresholds.coolDownDays * DAY_MS;
}

// Only the two statuses that the service closes with can be its own; a closing that names nobody counts as a person's.
function closedByService(task: FindingTask): boolean {
  return task.closedBy === "service" && (task.status === "completed" || task.status === "cancelled");
}

/** Whether nobody works on a Task of this status any more. */
export function isClosed(status: TaskStatus): boolean {
  return handOf(status) === "closed";
}

/** In whose hands a Task is: still the service's, a person's, or closed. */
type Hand = "service" | "person" | "closed";

function handOf(status: TaskStatus): Hand {
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

function dueDayOf({ severity }: Finding, { today, thresholds }: TaskContext): LocalDay {
  const { urgent, review } = thresholds.dueDaysBySeverity;
  return addDays(today, severity === "urgent" ? urgent : review);
}

function mostPressingFirst(a: Finding, b: Finding): number {
  const press = { urgent: 0, review: 1, information: 2 };
  if (a.safety !== b.safety) return a.safety ? -1 : 1;
  return press[a.severity] - press[b.severity] || (evidenceDigest(a) < evidenceDigest(b) ? -1 : 1);
}

function keyOf({ rule, subject }: { readonly rule: string; readonly subject: string }): string {
  return `${rule}|${subject}`;
}
