import type { Extension, Task, TaskInput } from "@medplum/fhirtypes";
import type { Fact } from "../domain/facts.ts";
import type { Evidence, Finding, Severity } from "../domain/finding.ts";
import { type FindingTask, isClosed, type TaskPriority } from "../domain/finding-task.ts";
import { isLocalDay } from "../domain/local-day.ts";
import { dedupKey, evidenceDigest, type TaskStep } from "../domain/task.ts";
import { basePriority } from "../domain/task-priority.ts";
import { idOf } from "./session.ts";
import { extensionUrl, identifierSystems } from "./terminology/canonical.ts";
import { taskStates, therapySystems } from "./terminology/therapy.ts";

/** The sentence that every Task ends with. */
export const caution =
  "For information only: not a monitor and not an alarm. Recorded use is not effectiveness, and records may be late or incomplete. Check the device and the prescription, and follow local policy and the licensed clinician's judgement.";

const urls = {
  subject: extensionUrl("finding-subject"),
  episode: extensionUrl("finding-episode"),
  severity: extensionUrl("finding-severity"),
  digest: extensionUrl("finding-evidence-digest"),
  since: extensionUrl("finding-since"),
  closedAt: extensionUrl("finding-closed-at"),
  closedBy: extensionUrl("finding-closed-by"),
  clearedSince: extensionUrl("finding-cleared-since"),
  priority: extensionUrl("finding-priority"),
  thresholds: extensionUrl("finding-thresholds"),
} as const;

/** What a Task step needs to become a Task. */
export interface TaskContext {
  readonly taskId: string;
  readonly patientId?: string;
  readonly nowIso: string;
  /** The Task as it stands; absent when it is raised. */
  readonly previous?: Task;
}

/** The Task that a step leaves: raised anew, or the one before with what the step changes and no more. */
export function taskResource(step: TaskStep, context: TaskContext): Task & { id: string } {
  const { previous, taskId, nowIso } = context;
  if (step.kind === "raise") return raised(step, context);
  if (previous === undefined) throw new Error(`the Task of a ${step.kind} step is not stored`);
  const base: Task & { id: string } = { ...previous, id: taskId, lastModified: nowIso };
  switch (step.kind) {
    case "refresh":
      return {
        ...base,
        ...described(step.finding, context),
        ...stateOf("standing", previous),
        ...ownerOf(step.owner, previous),
        extension: extensions(previous, [
          ...findingExtensions(step.finding, episodeOf(previous)),
          { url: urls.severity, valueCode: step.finding.severity },
          { url: urls.priority, valueCode: step.priority ?? servicePriorityOf(previous) },
        ]),
        ...(step.priority === undefined ? {} : { priority: step.priority }),
        restriction: {
          ...previous.restriction,
          period: { ...previous.restriction?.period, end: earlier(dueOf(previous), step.dueDay) },
        },
      };
    case "add-evidence":
      return {
        ...base,
        ...described(step.finding, context),
        ...stateOf("standing", previous),
        // Not the severity: that is what the Task was last brought up to date with, and decides what is due once it is the service's again.
        extension: extensions(previous, findingExtensions(step.finding, episodeOf(previous))),
      };
    case "escalate":
      return {
        ...base,
        priority: step.priority,
        extension: extensions(previous, [{ url: urls.priority, valueCode: step.priority }]),
        note: [...(previous.note ?? []), { time: nowIso, text: step.text }],
      };
    case "close":
      return {
        ...base,
        status: step.status,
        statusReason: { coding: [{ system: therapySystems.taskReason, code: step.reason }] },
        ...stateOf(step.reason, previous),
        input: [...(previous.input ?? []), ...step.evidence.map(inputOf)],
        extension: extensions(previous, [
          { url: urls.closedBy, valueCode: "service" },
          { url: urls.closedAt, valueInstant: nowIso },
        ]),
      };
    case "note-cleared":
      return {
        ...base,
        ...stateOf("cleared", previous),
        extension: extensions(previous, [
          { url: urls.clearedSince, valueBoolean: true },
          ...closedAtOf(previous).map((valueInstant) => ({ url: urls.closedAt, valueInstant })),
        ]),
        note: [...(previous.note ?? []), { time: nowIso, text: "The finding has cleared." }],
      };
  }
}

/** A person's closing time must survive a later note, or the cool-down would start anew. */
function closedAtOf(task: Task): string[] {
  if (!isClosed(task.status as FindingTask["status"])) return [];
  const at = read(task, urls.closedAt)?.valueInstant ?? task.meta?.lastUpdated;
  return at === undefined ? [] : [at];
}

function raised(step: Extract<TaskStep, { kind: "raise" }>, context: TaskContext): Task & { id: string } {
  const { finding, episode, dueDay, owner } = step;
  const priority = basePriority(finding.severity);
  return {
    resourceType: "Task",
    id: context.taskId,
    extension: [
      ...findingExtensions(finding, episode),
      { url: urls.severity, valueCode: finding.severity },
      { url: urls.priority, valueCode: priority },
    ],
    identifier: [
      {
        system: identifierSystems.finding,
        value: `${dedupKey(context.patientId, finding.rule, finding.subject)}#${episode}`,
      },
    ],
    status: "requested",
    ...stateOf("standing", undefined),
    intent: "order",
    priority,
    code: { coding: [{ system: therapySystems.findingRule, code: finding.rule }] },
    ...described(finding, context),
    ...(finding.focus === undefined ? {} : { focus: { reference: finding.focus } }),
    ...(context.patientId === undefined ? {} : { for: { reference: `Patient/${context.patientId}` } }),
    authoredOn: context.nowIso,
    lastModified: context.nowIso,
    ...ownerOf(owner, undefined),
    restriction: { period: { end: dueDay } },
  };
}

/** Where the finding stands; a business status of a clinic's own stays. */
function stateOf(code: keyof typeof taskStates, previous: Task | undefined): Pick<Task, "businessStatus"> {
  const before = previous?.businessStatus;
  // Earlier versions of this service wrote the reason of closing there.
  const ours: readonly (string | undefined)[] = [therapySystems.taskState, therapySystems.taskReason];
  if (before !== undefined && !before.coding?.some((one) => ours.includes(one.system))) return {};
  return { businessStatus: { coding: [{ system: therapySystems.taskState, code, display: taskStates[code] }] } };
}

/** An owner that stands stays, whoever named them. */
function ownerOf(reference: string | undefined, previous: Task | undefined): Pick<Task, "owner"> {
  return reference === undefined || previous?.owner !== undefined ? {} : { owner: { reference } };
}

/** Words and evidence, made anew at every refresh; only inputs of our own kind are replaced. */
function described(finding: Finding, context: TaskContext): Pick<Task, "description" | "input"> {
  const kept = (context.previous?.input ?? []).filter(
    (one) => !one.type.coding?.some((coding) => coding.system === therapySystems.taskInput),
  );
  const thresholds = finding.thresholdsVersion === undefined ? "" : ` Thresholds: ${finding.thresholdsVersion}.`;
  const description = `${finding.text} Since ${finding.sinceDay}. Clears when: ${finding.clearsWhen}${thresholds} ${caution}`;
  return { description, input: [...kept, ...finding.evidence.map(inputOf)] };
}

function inputOf(evidence: Evidence): TaskInput {
  const type = { coding: [{ system: therapySystems.taskInput, code: evidence.name }], text: evidence.text };
  if (evidence.value !== undefined) {
    const unit =
      evidence.unit === undefined
        ? {}
        : { unit: evidence.unit, system: "http://unitsofmeasure.org", code: evidence.unit };
    return { type, valueQuantity: { value: evidence.value, ...unit } };
  }
  if (evidence.reference !== undefined) return { type, valueReference: { reference: evidence.reference } };
  return { type, valueString: evidence.text };
}

function findingExtensions(finding: Finding, episode: number): Extension[] {
  return [
    { url: urls.subject, valueString: finding.subject },
    { url: urls.episode, valueInteger: episode },
    ...(finding.thresholdsVersion === undefined
      ? []
      : [{ url: urls.thresholds, valueString: finding.thresholdsVersion }]),
    { url: urls.since, valueDate: finding.sinceDay },
    { url: urls.digest, valueString: evidenceDigest(finding) },
  ];
}

/** The Task's extensions with these of ours put in or put right; a refresh also takes back that the finding had cleared. */
function extensions(previous: Task, changed: readonly Extension[]): Extension[] {
  const replaced = new Set(changed.map((one) => one.url));
  // Reopened by a person: who closed it before, and when, is over.
  if (!isClosed(previous.status as FindingTask["status"])) replaced.add(urls.closedBy).add(urls.closedAt);
  if (replaced.has(urls.subject)) replaced.add(urls.clearedSince);
  return [...(previous.extension ?? []).filter((one) => !replaced.has(one.url)), ...changed];
}

/** What says so survives when a person reopens a Task and closes it in turn; the reason must still be one of ours too. */
function closedByService(task: Task): boolean {
  const reasoned = task.statusReason?.coding?.some((one) => one.system === therapySystems.taskReason) === true;
  return reasoned && read(task, urls.closedBy)?.valueCode === "service";
}

function read(task: Task, url: string): Extension | undefined {
  return task.extension?.find((one) => one.url === url);
}

function episodeOf(task: Task): number {
  return read(task, urls.episode)?.valueInteger ?? 1;
}

function severityOf(task: Task): Severity {
  return (read(task, urls.severity)?.valueCode ?? "review") as Severity;
}

/** What the service gave it last; before it wrote that down, the base of its severity. */
function servicePriorityOf(task: Task): TaskPriority {
  return (read(task, urls.priority)?.valueCode as TaskPriority | undefined) ?? basePriority(severityOf(task));
}

function dueOf(task: Task): string | undefined {
  return task.restriction?.period?.end;
}

/** A due date only ever comes nearer: changing evidence may not put it off. */
function earlier(before: string | undefined, now: string): string {
  return before !== undefined && before < now ? before : now;
}

/** What the review must know of a Task that a finding raised; Tasks of other kinds state nothing here. */
export function taskFact(task: Task): Fact[] {
  const rule = task.code?.coding?.find((one) => one.system === therapySystems.findingRule)?.code;
  const subject = read(task, urls.subject)?.valueString;
  if (rule === undefined || subject === undefined) return [];
  const patientId = idOf(task.for?.reference, "Patient");
  const status = task.status as FindingTask["status"];
  const closed = isClosed(status);
  const closedAt = closedAtOf(task)[0];
  // A person may have written a time of day; which day that is stands before the T.
  const dueDay = dueOf(task)?.slice(0, 10);
  return [
    {
      kind: "task",
      ...(patientId === undefined ? {} : { patientId }),
      task: {
        taskId: task.id ?? "",
        rule,
        subject,
        episode: episodeOf(task),
        status,
        severity: severityOf(task),
        ...(task.priority === undefined ? {} : { priority: task.priority }),
        servicePriority: servicePriorityOf(task),
        ...(dueDay !== undefined && isLocalDay(dueDay) ? { dueDay } : {}),
        evidenceDigest: read(task, urls.digest)?.valueString ?? "",
        ...(closed && closedAt !== undefined ? { closedMs: Date.parse(closedAt) } : {}),
        ...(closed
          ? {
              closedBy: closedByService(task) ? ("service" as const) : ("person" as const),
            }
          : {}),
        clearedSince: read(task, urls.clearedSince)?.valueBoolean === true,
      },
    },
  ];
}
