import type { Resource, Task } from "@medplum/fhirtypes";
import type { FindingTask } from "../domain/finding-task.ts";
import type { Refusal } from "../domain/result.ts";
import { refusedTransition } from "../domain/task-transition.ts";
import { taskFact } from "../fhir/task.ts";
import { referenceOf, type StoredResource } from "../store/resource.ts";

/**
 * Why changes that clients make to Tasks of findings are refused: a status that cannot follow the one before, or another
 * finding put in the place of the one that raised the Task. Tasks of other kinds, and new ones, are nobody's business here.
 */
export function refuseTaskChanges(
  writes: readonly { readonly type: string; readonly id: string; readonly resource?: Resource }[],
  current: ReadonlyMap<string, StoredResource>,
): Refusal[] {
  return writes.flatMap((write) => {
    if (write.type !== "Task" || write.resource === undefined) return [];
    const stored = current.get(referenceOf(write));
    const before = stored === undefined || stored.deleted ? undefined : findingOf(JSON.parse(stored.body) as Task);
    return before === undefined ? [] : refusalsOf(before, write.resource as Task);
  });
}

interface FindingOf {
  readonly task: FindingTask;
  readonly patientId?: string;
}

function findingOf(task: Task): FindingOf | undefined {
  const [fact] = taskFact(task);
  return fact?.kind === "task" ? fact : undefined;
}

function refusalsOf(before: FindingOf, now: Task): Refusal[] {
  const after = findingOf(now);
  const kept =
    after !== undefined &&
    after.patientId === before.patientId &&
    (["rule", "subject", "episode"] as const).every((name) => after.task[name] === before.task[name]);
  if (!kept) {
    const detail =
      "A finding raised this Task: its code, its for and its finding-… extensions say which, and stay as they are. Read the Task, change status, owner, priority, restriction or note in what you read, and send that; for another matter make a Task of your own.";
    return [{ kind: "business-rule", detail, at: "Task", status: 422 }];
  }
  const detail = refusedTransition(before.task.status, after.task.status);
  return detail === undefined ? [] : [{ kind: "business-rule", detail, at: "Task.status", status: 422 }];
}
