import type { Finding } from "./finding.ts";
import { closedByService, type FindingTask, handOf } from "./finding-task.ts";
import { localDayOf } from "./local-day.ts";
import type { Step } from "./rules/rule.ts";
import { counted, dayInWords } from "./rules/wording.ts";
import { coolDownEndMs, evidenceDigest, mayEscalate, type TaskContext, type TaskStep, taskSteps } from "./task.ts";
import { hasOwnPriority } from "./task-priority.ts";
import type { Thresholds } from "./thresholds.ts";
import type { EpochMs } from "./time.ts";

/** What a review does to the Tasks of one rule and subject, and why. */
export interface TaskDecision {
  readonly rule: string;
  readonly subject: string;
  /** First what was looked at, then one step for each thing that is done; the last holds exactly when anything is done. */
  readonly steps: readonly Step[];
  /** The first of: raise, refresh, add-evidence, escalate, close, note-cleared; what else is done stands in `steps`. */
  readonly decision: TaskStep["kind"] | "nothing";
}

/** What `taskSteps` must know, and what the words need besides. */
export interface DecisionContext extends TaskContext {
  readonly thresholds: TaskContext["thresholds"] & Pick<Thresholds, "sources">;
  /** IANA zone that days are told in; UTC where none is given. */
  readonly zone?: string;
}

const chief = ["raise", "refresh", "add-evidence", "escalate", "close", "note-cleared"] as const;

/** The decision about every rule and subject that is found or has a Task, in their order. */
export function decisionsOf(
  findings: readonly Finding[],
  tasks: readonly FindingTask[],
  context: DecisionContext,
): TaskDecision[] {
  const keys = new Map([...findings, ...tasks].map(({ rule, subject }) => [`${rule}|${subject}`, { rule, subject }]));
  return [...keys]
    .sort(([a], [b]) => (a < b ? -1 : 1))
    .map(([, { rule, subject }]) => explainTask(rule, subject, findings, tasks, context));
}

/**
 * Why a review does what it does to the Tasks of one rule and subject, or does nothing. What is done is what `taskSteps`
 * answers; only the words are made here.
 */
export function explainTask(
  rule: string,
  subject: string,
  findings: readonly Finding[],
  tasks: readonly FindingTask[],
  context: DecisionContext,
): TaskDecision {
  const concerns = (one: { rule: string; subject: string }) => one.rule === rule && one.subject === subject;
  const found = findings.filter(concerns);
  const asking = found.filter((one) => one.severity !== "information");
  const history = tasks.filter(concerns).sort((a, b) => b.episode - a.episode || (a.taskId < b.taskId ? -1 : 1));
  const done = taskSteps(found, history, context);
  const decision = chief.find((kind) => done.some((step) => step.kind === kind)) ?? "nothing";
  const steps = [...foundSteps(found, asking, context), ...openSteps(history, asking, context)];
  if (history.every((task) => handOf(task.status) === "closed")) steps.push(...closedSteps(history, asking, context));
  const outcome = done.map((step) => doneStep(step, history, context));
  if (outcome.length === 0) outcome.push({ name: "nothing", text: "So nothing is done.", holds: false });
  return { rule, subject, steps: [...steps, ...outcome], decision };
}

function foundSteps(found: readonly Finding[], asking: readonly Finding[], { today }: DecisionContext): Step[] {
  const [first] = asking.length > 0 ? asking : found;
  if (first === undefined) return [{ name: "found", text: `Not found on ${dayInWords(today)}.`, holds: false }];
  const { severity, safety, sinceDay } = first;
  const about = safety ? ", about safety" : "";
  const text = `Found on ${dayInWords(today)}, since ${dayInWords(sinceDay)}: severity ${severity}${about}.`;
  const steps: Step[] = [{ name: "found", text, holds: true }];
  if (asking.length === 0) {
    steps.push({ name: "severity", text: "Severity information raises no Task.", holds: false });
  }
  return steps;
}

function openSteps(history: readonly FindingTask[], asking: readonly Finding[], context: DecisionContext): Step[] {
  return history.flatMap((task): Step[] => {
    const hand = handOf(task.status);
    if (hand === "closed") return [];
    const whose =
      hand === "person"
        ? "in a person's hands: only evidence and, when overdue, priority are added"
        : "not taken up by anybody: the service keeps it up to date";
    const open = step(task, "open", `${named(task)} is open (${task.status}), ${whose}.`, true);
    if (asking.length === 0) {
      const noted = hand === "person" && task.clearedSince;
      return noted
        ? [open, step(task, "noted", "That the finding has cleared is noted on it already.", false)]
        : [open];
    }
    // What is told twice is told alike: the digest of the finding that counts is among them.
    const told = asking.some((finding) => evidenceDigest(finding) === task.evidenceDigest);
    const news = told
      ? "It tells what is found now already."
      : "What is found now reads differently from what it tells.";
    return [open, step(task, "news", news, !told), ...overdueSteps(task, asking, context)];
  });
}

function overdueSteps(task: FindingTask, asking: readonly Finding[], { today, thresholds }: DecisionContext): Step[] {
  const { dueDay } = task;
  if (dueDay === undefined) return [];
  const overdue = today > dueDay;
  const due = step(task, "overdue", `Due by ${dayInWords(dueDay)}${overdue ? ": overdue" : ""}.`, overdue);
  const about = { threshold: thresholds.escalateAfterDays, unit: "d", source: thresholds.sources.escalateAfterDays };
  if (!overdue) return [due];
  if (!asking.some((finding) => mayEscalate(task, finding))) {
    return [
      due,
      step(task, "on-hold", "A person put it on hold and it is not about safety: its priority waits.", false),
    ];
  }
  if (hasOwnPriority(task)) {
    const text = `A person has given it the priority ${task.priority ?? "routine"}: that stays.`;
    return [due, step(task, "own-priority", text, false)];
  }
  return [{ ...due, ...about }];
}

function closedSteps(history: readonly FindingTask[], asking: readonly Finding[], context: DecisionContext): Step[] {
  const errors = history.filter((task) => task.status === "entered-in-error");
  const [latest] = history.filter((task) => task.status !== "entered-in-error");
  const steps = errors.map((task) =>
    step(task, "error", `${named(task)} was entered in error and does not count.`, true),
  );
  if (latest === undefined) return [...steps, { name: "none-open", text: "No Task about it is open.", holds: true }];
  return [...steps, closedStep(latest, asking, context)];
}

function closedStep(task: FindingTask, asking: readonly Finding[], context: DecisionContext): Step {
  const when = task.closedMs === undefined ? "" : ` on ${dayOf(task.closedMs, context)}`;
  const how = `${named(task)}${when} (${task.status})`;
  if (closedByService(task)) return step(task, "closed", `The service closed ${how}.`, true);
  const told = `A person closed ${how}`;
  if (asking.length === 0) {
    const noted = task.clearedSince ? " That the finding has cleared since is noted." : "";
    return step(task, "closed", `${told}.${noted}`, false);
  }
  if (asking.some((finding) => finding.safety)) {
    return step(task, "safety", `${told}; a matter of safety is not held back by that.`, true);
  }
  if (task.clearedSince)
    return step(task, "cleared-since", `${told}; the finding has cleared since and is back.`, true);
  const { thresholds, nowMs } = context;
  const endMs = coolDownEndMs(task, thresholds);
  if (endMs === undefined) return step(task, "cool-down", `${told}; nobody wrote down when.`, true);
  const over = nowMs >= endMs;
  const cool = `the cool-down of ${counted(thresholds.coolDownDays, "day")} ${over ? "ended on" : "runs until"}`;
  return {
    ...step(task, "cool-down", `${told}; ${cool} ${dayOf(endMs, context)}.`, over),
    threshold: thresholds.coolDownDays,
    unit: "d",
    source: thresholds.sources.coolDownDays,
  };
}

function doneStep(done: TaskStep, history: readonly FindingTask[], context: DecisionContext): Step {
  if (done.kind === "raise") {
    const owner = done.owner === undefined ? "" : ` for ${done.owner}`;
    const text = `Raised as episode ${done.episode}${owner}, due by ${dayInWords(done.dueDay)}.`;
    return { name: "raise", text, holds: true };
  }
  const task = history.find((one) => one.taskId === done.taskId);
  const name = task === undefined ? `Task/${done.taskId}` : named(task);
  return { name: done.kind, text: `${name}: ${deed(done, context)}`, holds: true, reference: `Task/${done.taskId}` };
}

function deed(done: Exclude<TaskStep, { kind: "raise" }>, { today }: DecisionContext): string {
  switch (done.kind) {
    case "refresh":
      return "words, evidence, severity and priority are brought up to date.";
    case "add-evidence":
      return "evidence is added; status, owner and priority stay.";
    case "escalate":
      return done.text;
    case "close":
      return `closed as ${done.status}. ${done.evidence.map((one) => one.text).join(" ")}`;
    case "note-cleared":
      return `noted that the finding has cleared, seen on ${dayInWords(today)}; nothing else is touched.`;
  }
}

function step({ taskId }: FindingTask, name: string, text: string, holds: boolean): Step {
  return { name, text, holds, reference: `Task/${taskId}` };
}

function named({ taskId, episode }: FindingTask): string {
  return `Task/${taskId}, episode ${episode}`;
}

function dayOf(epochMs: EpochMs, { zone }: DecisionContext): string {
  return dayInWords(localDayOf(epochMs, zone ?? "UTC"));
}
