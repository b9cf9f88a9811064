import type { Evidence, Finding } from "./finding.ts";
import { closedByService, type FindingTask, type Hand, handOf, type TaskPriority } from "./finding-task.ts";
import { fingerprint } from "./fingerprint.ts";
import { addDays } from "./local-day.ts";
import { escalatedPriority, priorityOfService, refreshedPriority } from "./task-priority.ts";
import { ownerFor } from "./task-routing.ts";
import type { Thresholds } from "./thresholds.ts";
import type { EpochMs, LocalDay } from "./time.ts";

/** What a review wants done to the Tasks. */
export type TaskStep =
  | {
      readonly kind: "raise";
      readonly finding: Finding;
      readonly episode: number;
      readonly dueDay: LocalDay;
      /** `Type/id` of whoever the routing names. */
      readonly owner?: string;
    }
  | {
      readonly kind: "refresh";
      readonly taskId: string;
      readonly finding: Finding;
      /** Counts from this refresh; only ever bring a Task's due day forward, or changing evidence puts it off for ever. */
      readonly dueDay: LocalDay;
      /** Whoever the routing names now; an owner that stands stays. */
      readonly owner?: string;
      /** Absent where a person has given the Task a priority of their own; what the service gave last is then kept in mind. */
      readonly priority?: TaskPriority;
    }
  /** A person works on it: evidence is added, status, owner and priority stay. */
  | { readonly kind: "add-evidence"; readonly taskId: string; readonly finding: Finding }
  /** Past its due day and still open: the priority rises, status and owner stay. May follow one of the two above. */
  | { readonly kind: "escalate"; readonly taskId: string; readonly priority: TaskPriority; readonly text: string }
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
  /** id of the patient's managing Organization. */
  readonly organizationId?: string;
  readonly thresholds: Pick<Thresholds, "coolDownDays" | "dueDaysBySeverity" | "escalateAfterDays" | "taskRouting">;
  /** Whether a rule can still say anything about a subject; false closes what it raised as no longer applying. */
  readonly applicable: (rule: string, subject: string) => boolean;
}

const DAY_MS = 86_400_000;

/**
 * What one review wants done to one patient's Tasks, so that each finding has at most one open Task. Doing it, in this
 * order, and reviewing again asks for nothing more. Findings of severity `information` count as not found. A Task that was
 * entered in error says nothing about its finding; only its episode is not given again.
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
 * Fingerprint of what a finding tells its reader: severity, text, evidence in order, and on which thresholds. `sinceDay`
 * is left out: it moves with a trailing window although nothing has happened.
 */
export function evidenceDigest({ severity, text, evidence, thresholdsVersion }: Finding): string {
  const rows = evidence.map((one) => [one.name, one.text, one.value ?? null, one.unit ?? null, one.reference ?? null]);
  return fingerprint(JSON.stringify([severity, text, rows, thresholdsVersion ?? null]));
}

function stepsOf(finding: Finding | undefined, history: readonly FindingTask[], context: TaskContext): TaskStep[] {
  const tasks = inOrder(history);
  const [latest] = tasks.filter(says);
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
  const [kept, ...surplus] = theirs.length > 0 ? [undefined, ...ours] : ours;
  const steps = surplus.flatMap((task) => (task === undefined ? [] : [superseding(task)]));
  steps.push(...theirs.flatMap((task) => adding(task, finding, context)));
  if (kept !== undefined) steps.push(...refreshing(kept, finding, context));
  const mayRaise = latest === undefined || maySpeakAgain(latest, finding, context);
  if (ours.length + theirs.length === 0 && mayRaise) {
    const episode = (tasks[0]?.episode ?? 0) + 1;
    steps.push({ kind: "raise", finding, episode, dueDay: dueDayOf(finding, context), ...ownerOf(finding, context) });
  }
  return steps;
}

/**
 * What their due day alone asks of Tasks whose finding no review looks for again: somebody outside told of it once, and it stands
 * until it is settled.
 */
export function overdueSteps(
  tasks: readonly FindingTask[],
  context: Pick<TaskContext, "today" | "thresholds">,
): TaskStep[] {
  const open = tasks.filter(({ status }) => handOf(status) !== "closed");
  return open.flatMap((task) => escalating(task, { severity: task.severity, safety: false }, context));
}

/** The highest episode first. */
function inOrder(history: readonly FindingTask[]): FindingTask[] {
  return [...history].sort((a, b) => b.episode - a.episode || (a.taskId < b.taskId ? -1 : 1));
}

/** A Task entered in error should never have been: it neither holds a finding back nor remembers that one has cleared. */
function says({ status }: FindingTask): boolean {
  return status !== "entered-in-error";
}

/** Evidence for a Task in a person's hands, and its escalation. */
function adding(task: FindingTask, finding: Finding, context: TaskContext): TaskStep[] {
  const { taskId } = task;
  const told = task.evidenceDigest === evidenceDigest(finding);
  return [...(told ? [] : [{ kind: "add-evidence", taskId, finding } as const]), ...escalating(task, finding, context)];
}

function refreshing(task: FindingTask, finding: Finding, context: TaskContext): TaskStep[] {
  if (task.evidenceDigest === evidenceDigest(finding) && task.severity === finding.severity) {
    return escalating(task, finding, context);
  }
  const { taskId } = task;
  const dueDay = dueDayOf(finding, context);
  const priority = refreshedPriority(task, finding.severity);
  const refresh = {
    kind: "refresh",
    taskId,
    finding,
    dueDay,
    ...ownerOf(finding, context),
    ...(priority === undefined ? {} : { priority }),
  } as const;
  const given =
    priority === undefined ? { servicePriority: priorityOfService(task) } : { priority, servicePriority: priority };
  return [refresh, ...escalating({ ...task, ...given, severity: finding.severity }, finding, context)];
}

function escalating(
  task: FindingTask,
  finding: Pick<Finding, "severity" | "safety">,
  { today, thresholds }: Pick<TaskContext, "today" | "thresholds">,
): TaskStep[] {
  if (!mayEscalate(task, finding)) return [];
  const priority = escalatedPriority(task, finding.severity, today, thresholds.escalateAfterDays);
  if (priority === undefined) return [];
  const { taskId, dueDay } = task;
  const text = `Not done by ${dueDay}, when it was due: priority raised from ${priorityOfService(task)} to ${priority}.`;
  return [{ kind: "escalate", taskId, priority, text }];
}

/** Whoever put a Task on hold has decided that it waits; only a matter of safety presses on all the same. */
export function mayEscalate({ status }: FindingTask, { safety }: Pick<Finding, "safety">): boolean {
  return status !== "on-hold" || safety;
}

function ownerOf({ rule }: Finding, { thresholds, organizationId }: TaskContext): { owner?: string } {
  const owner = ownerFor(thresholds.taskRouting, rule, organizationId);
  return owner === undefined ? {} : { owner };
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
  const endMs = coolDownEndMs(task, thresholds);
  return endMs === undefined || nowMs >= endMs;
}

/**
 * From when on a finding may be raised again after a person closed its Task. Without a time of closing nobody can say that
 * the cool-down still runs, so undefined: better asked twice than lost.
 */
export function coolDownEndMs(
  { closedMs }: FindingTask,
  { coolDownDays }: Pick<Thresholds, "coolDownDays">,
): EpochMs | undefined {
  return closedMs === undefined ? undefined : closedMs + coolDownDays * DAY_MS;
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
