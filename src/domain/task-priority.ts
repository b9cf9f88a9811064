import type { Severity } from "./finding.ts";
import type { FindingTask, TaskPriority } from "./finding-task.ts";
import { daysBetween } from "./local-day.ts";
import type { LocalDay } from "./time.ts";

/** The least pressing first, as R4 orders them (https://hl7.org/fhir/R4/valueset-request-priority.html). */
const order: readonly TaskPriority[] = ["routine", "urgent", "asap", "stat"];

// `stat` means that somebody must come at once. No record read hours later can say so; it is left to people.
const highestOfService = order.indexOf("asap");

/** The priority that a Task is raised with: `urgent` for an urgent finding, else `routine`. */
export function basePriority(severity: Severity): TaskPriority {
  return severity === "urgent" ? "urgent" : "routine";
}

/** Whether a priority presses more than another. */
export function pressesMore(one: TaskPriority, other: TaskPriority): boolean {
  return order.indexOf(one) > order.indexOf(other);
}

/** The more pressing of two priorities. */
export function morePressing(one: TaskPriority, other: TaskPriority): TaskPriority {
  return pressesMore(other, one) ? other : one;
}

/** The priority that the service gave a Task last; one raised before the service wrote that down had its base. */
export function priorityOfService({ servicePriority, severity }: FindingTask): TaskPriority {
  return servicePriority ?? basePriority(severity);
}

/**
 * Whether a person has given the Task a priority of their own. A Task that names none has normal priority, that is
 * `routine` (https://hl7.org/fhir/R4/task-definitions.html#Task.priority).
 */
export function hasOwnPriority(task: FindingTask): boolean {
  return (task.priority ?? "routine") !== priorityOfService(task);
}

/**
 * The priority that a refresh leaves: the base of the severity as it is now, or what an escalation has come to; undefined
 * where a person's own stands.
 */
export function refreshedPriority(task: FindingTask, severity: Severity): TaskPriority | undefined {
  if (hasOwnPriority(task)) return undefined;
  const given = priorityOfService(task);
  const escalated = pressesMore(given, basePriority(task.severity));
  return escalated ? morePressing(given, basePriority(severity)) : basePriority(severity);
}

/**
 * The priority of a Task that is past its due day: one step above its base from the first day after, and one more each
 * time `escalateAfterDays` further days pass, at most `asap`. Undefined up to and including the due day. An interval
 * under one day counts as one.
 */
export function overduePriority(
  severity: Severity,
  dueDay: LocalDay,
  today: LocalDay,
  escalateAfterDays: number,
): TaskPriority | undefined {
  const daysOverdue = daysBetween(dueDay, today);
  if (daysOverdue <= 0) return undefined;
  const steps = 1 + Math.floor((daysOverdue - 1) / Math.max(1, escalateAfterDays));
  return order[Math.min(highestOfService, order.indexOf(basePriority(severity)) + steps)];
}

/** What an open Task is to be raised to, or undefined when it is not overdue, presses as much already, or is a person's. */
export function escalatedPriority(
  task: FindingTask,
  severity: Severity,
  today: LocalDay,
  escalateAfterDays: number,
): TaskPriority | undefined {
  if (task.dueDay === undefined || hasOwnPriority(task)) return undefined;
  const wanted = overduePriority(severity, task.dueDay, today, escalateAfterDays);
  return wanted !== undefined && pressesMore(wanted, priorityOfService(task)) ? wanted : undefined;
}
