import { createHash } from "node:crypto";
import type { Task } from "@medplum/fhirtypes";
import { review } from "../domain/review.ts";
import { type TaskStep, taskSteps } from "../domain/task.ts";
import { provenanceOf } from "../fhir/provenance.ts";
import { taskResource } from "../fhir/task.ts";
import { inTenant, type TenantSession } from "../store/database.ts";
import { lockPatient } from "../store/picture.ts";
import { lockResources, type StoredResource } from "../store/resource.ts";
import { saveSummary } from "../store/summary.ts";
import { commitWrites, type Write } from "./commit-writes.ts";
import { readPicture } from "./picture.ts";
import type { Service } from "./service.ts";

/**
 * Reviews one patient: reads one picture, lets the domain find what there is to find, brings the Tasks in line and
 * writes the caseload row, all in one transaction. Reviews of one patient wait for each other, so two workers leave one Task.
 */
export async function reviewPatient(service: Service, tenantId: number, patientId: string): Promise<void> {
  await inTenant(service.database, tenantId, async (session) => {
    await lockPatient(session, patientId);
    const nowMs = service.now();
    const read = await readPicture(service, session, patientId, nowMs);
    if (read === undefined) return;
    const { picture } = read;
    if (!read.active) {
      // A record that is no longer used (merged, moved away) asks nobody for anything.
      const context = { ...picture, applicable: () => false };
      return carryOut(service, session, taskSteps([], picture.tasks, context), patientId);
    }
    const { findings, steps, summary } = review(picture);
    await carryOut(service, session, steps, patientId);
    await saveSummary(session, summary, findings, nowMs);
  });
}

/** Carries Task steps out as versions of Task resources, each with its Provenance. */
export async function carryOut(
  service: Service,
  session: TenantSession,
  steps: readonly TaskStep[],
  patientId: string | undefined,
): Promise<void> {
  if (steps.length === 0) return;
  const ids = steps.map((step) => (step.kind === "raise" ? taskId(step, patientId) : step.taskId));
  const current = new Map(
    (
      await lockResources(
        session,
        ids.map((id) => `Task/${id}`),
      )
    ).map((one) => [`${one.type}/${one.id}`, one]),
  );
  const nowIso = new Date(service.now()).toISOString();
  const writes = steps.flatMap((step, i): Write[] => {
    const id = ids[i] ?? "";
    const task = taskResource(step, {
      taskId: id,
      ...(patientId === undefined ? {} : { patientId }),
      nowIso,
      ...previousTask(current.get(`Task/${id}`)),
    });
    const provenance = provenanceOf([`Task/${id}`], `task-${step.kind}`, nowIso);
    return [
      { type: "Task", id, resource: task },
      { type: "Provenance", id: service.newId(), resource: provenance },
    ];
  });
  // The review that writes these Tasks is the one they would ask for.
  await commitWrites(service, session, writes, current, { queue: false, ownWork: true });
}

function previousTask(stored: StoredResource | undefined): { previous?: Task } {
  return stored === undefined ? {} : { previous: JSON.parse(stored.body) as Task };
}

/** The same for the same finding and episode, so that a review repeated after a crash makes the same Task. */
function taskId(step: Extract<TaskStep, { kind: "raise" }>, patientId: string | undefined): string {
  const key = JSON.stringify([patientId ?? "", step.finding.rule, step.finding.subject, step.episode]);
  return `task-${createHash("sha256").update(key).digest("hex").slice(0, 32)}`;
}
