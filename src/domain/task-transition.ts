import { isClosed, type TaskStatus } from "./finding-task.ts";

/** Work has begun, so nobody can turn the Task down any more. */
const begun: ReadonlySet<TaskStatus> = new Set(["in-progress", "on-hold", "completed", "failed"]);

/**
 * Why a person may not bring a finding's Task from one status to another, in words that say what to do; undefined where they
 * may. All is allowed that R4's definitions of the two do not exclude (https://hl7.org/fhir/R4/valueset-task-status.html), for
 * each hospital's worklist has ways of its own: a Task may be done without being accepted first, and one that was closed may be
 * opened again.
 */
export function refusedTransition(before: TaskStatus, now: TaskStatus): string | undefined {
  if (before === now) return undefined;
  // "The task should never have existed": so nothing can become of it.
  if (before === "entered-in-error")
    return "This Task was entered in error and stays so. If its finding stands, the next review raises another; take up that one.";
  // "Not yet ready to be acted upon": everybody has seen it by now.
  if (now === "draft")
    return `A Task that was ${before} cannot be a draft again. To give it back, set requested; to put it off, on-hold.`;
  // "Decided not to execute it prior to performing any action."
  if (now === "rejected" && begun.has(before)) {
    return isClosed(before)
      ? `This Task is ${before}. Rejecting is for one that nobody has begun; leave it, or reopen it with in-progress.`
      : `This Task is ${before}: work on it has begun, so it cannot be rejected. Set failed or cancelled, and say why in statusReason.`;
  }
  // "The task was attempted but could not be completed": what was done or turned down was not.
  if (now === "failed" && (before === "completed" || before === "rejected" || before === "cancelled"))
    return `This Task is ${before} and was not attempted since. Reopen it with in-progress first, or leave it.`;
  return undefined;
}
