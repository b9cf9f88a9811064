import { createHash } from "node:crypto";
import type { Task } from "@medplum/fhirtypes";
import type { FindingTask } from "../domain/finding-task.ts";
import { review } from "../domain/review.ts";
import { type TaskStep, taskSteps } from "../domain/task.ts";
import { provenanceOf } from "../fhir/provenance.ts";
import { taskFact, taskResource } from "../fhir/task.ts";
import type { TenantSession } from "../store/database.ts";
import { lockPatients } from "../store/picture.ts";
import { presentAndHeld } from "../store/references.ts";
import { ConcurrentWrite, isRetryable, lockResources, type StoredResource } from "../store/resource.ts";
import { type Reviewed, saveSummaries } from "../store/summary.ts";
import { commitWrites, type Write } from "./commit-writes.ts";
import { readPictures } from "./picture.ts";
import type { Service } from "./service.ts";
import { writeInTenant } from "./write-in-tenant.ts";

/**
 * Reviews one patient: reads one picture, lets the domain find what there is to find, brings the Tasks in line and
 * writes the caseload row, all in one transaction. Reviews of one patient wait for each other, so two workers leave one Task.
 */
export function reviewPatient(service: Service, tenantId: number, patientId: string): Promise<void> {
  return reviewTogether(service, tenantId, [patientId]);
}

/**
 * The same for several patients in one transaction, which takes as many statements as one alone where there is nothing to do
 * for their Tasks. Where others were quicker with one of them, each is reviewed alone.
 */
export async function reviewPatients(service: Service, tenantId: number, patientIds: readonly string[]): Promise<void> {
  try {
    await reviewTogether(service, tenantId, patientIds);
  } catch (error) {
    if (!isRetryable(error)) throw error;
    for (const patientId of patientIds) await reviewPatient(service, tenantId, patientId);
  }
}

async function reviewTogether(service: Service, tenantId: number, patientIds: readonly string[]): Promise<void> {
  await retried(service, tenantId, async (session) => {
    const locked = lockPatients(session, patientIds);
    const nowMs = service.now();
    const [pictures] = await Promise.all([readPictures(service, session, patientIds, nowMs), locked]);
    const reviewed: Reviewed[] = [];
    for (const { picture, active } of pictures) {
      // A record that is no longer used (merged, moved away) asks nobody for anything.
      const outcome = active ? review(picture) : undefined;
      const steps = outcome?.steps ?? taskSteps([], picture.tasks, { ...picture, applicable: () => false });
      await carryOut(service, session, steps, picture.tasks, picture.patientId);
      if (outcome !== undefined) reviewed.push(outcome);
    }
    saveSummaries(session, reviewed, nowMs);
  });
}

/** Looks again where a person was quicker with a Task than the review that had just read it, or two waited for each other. */
export async function retried(
  service: Service,
  tenantId: number,
  work: (session: TenantSession) => Promise<void>,
): Promise<void> {
  const answer = await writeInTenant(service, tenantId, work);
  // The service's own work is refused nothing.
  if (!answer.ok) throw new Error(answer.refusals.map((one) => one.detail).join(" "));
}

/**
 * Carries Task steps out as versions of Task resources, each with its Provenance. Throws ConcurrentWrite when a Task is not
 * any more what the steps were made for (`tasks`): somebody may have taken it up since, and then it must not be closed.
 */
export async function carryOut(
  service: Service,
  session: TenantSession,
  steps: readonly TaskStep[],
  tasks: readonly FindingTask[],
  patientId: string | undefined,
): Promise<void> {
  if (steps.length === 0) return;
  const stepsByTask = new Map<string, TaskStep[]>();
  for (const step of await withOwnersHere(service, session, steps)) {
    const id = step.kind === "raise" ? taskId(step, patientId) : step.taskId;
    stepsByTask.set(id, [...(stepsByTask.get(id) ?? []), step]);
  }
  const references = [...stepsByTask.keys()].map((id) => `Task/${id}`);
  const current = new Map((await lockResources(session, references)).map((one) => [`${one.type}/${one.id}`, one]));
  for (const step of steps) {
    const seen = step.kind === "raise" ? undefined : tasks.find((task) => task.taskId === step.taskId);
    if (seen !== undefined) refuseStale(seen, storedTask(current.get(`Task/${seen.taskId}`)));
  }
  const nowIso = new Date(service.now()).toISOString();
  const writes = [...stepsByTask].flatMap(([id, ofTask]): Write[] => {
    const context = { taskId: id, ...(patientId === undefined ? {} : { patientId }), nowIso };
    // Evidence and escalation of one Task are one version of it; each deed has its Provenance.
    const task = ofTask.reduce<Task | undefined>(
      (previous, step) => taskResource(step, { ...context, ...(previous === undefined ? {} : { previous }) }),
      storedTask(current.get(`Task/${id}`)),
    );
    if (task === undefined) return [];
    const deeds = ofTask.map(({ kind }) => provenanceOf([`Task/${id}`], `task-${kind}`, nowIso));
    return [
      { type: "Task", id, resource: task },
      ...deeds.map((resource): Write => ({ type: "Provenance", id: service.newId(), resource })),
    ];
  });
  // The review that writes these Tasks is the one they would ask for.
  await commitWrites(service, session, writes, current, { queue: false, ownWork: true });
}

/**
 * Routing may name somebody whose record has been deleted since. A Task that points to nobody could not be put back by a
 * client that takes it up, so it is left without owner instead.
 */
async function withOwnersHere(
  service: Service,
  session: TenantSession,
  steps: readonly TaskStep[],
): Promise<readonly TaskStep[]> {
  const owners = [...new Set(steps.flatMap((step) => ("owner" in step && step.owner !== undefined ? step.owner : [])))];
  if (owners.length === 0 || service.referencePolicy === "accept") return steps;
  const present = await presentAndHeld(session, owners);
  const missing = owners.filter((owner) => !present.has(owner));
  if (missing.length > 0)
    service.log.warn({ missing: missing.length }, "the routing of Tasks names an owner who is not here");
  return steps.map((step) => {
    if (!("owner" in step) || step.owner === undefined || present.has(step.owner)) return step;
    const { owner: _, ...unowned } = step;
    return unowned;
  });
}

function refuseStale(seen: FindingTask, stored: Task | undefined): void {
  const [now] = stored === undefined ? [] : taskFact(stored);
  if (now?.kind === "task" && now.task.status === seen.status && now.task.priority === seen.priority) return;
  throw new ConcurrentWrite(`Task/${seen.taskId} has changed while its patient was reviewed.`);
}

function storedTask(stored: StoredResource | undefined): Task | undefined {
  return stored === undefined ? undefined : (JSON.parse(stored.body) as Task);
}

/** The same for the same finding and episode, so that a review repeated after a crash makes the same Task. */
function taskId(step: Extract<TaskStep, { kind: "raise" }>, patientId: string | undefined): string {
  const key = JSON.stringify([patientId ?? "", step.finding.rule, step.finding.subject, step.episode]);
  return `task-${createHash("sha256").update(key).digest("hex").slice(0, 32)}`;
}
