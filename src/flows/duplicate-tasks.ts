import type { Patient } from "@medplum/fhirtypes";
import type { Finding } from "../domain/finding.ts";
import { localDayOf } from "../domain/local-day.ts";
import {
  pairSubject,
  possibleDuplicate,
  possibleDuplicateFinding,
  type RecordPair,
} from "../domain/rules/possible-duplicate.ts";
import { taskSteps } from "../domain/task.ts";
import { effectiveThresholds } from "../domain/threshold-setting.ts";
import type { TenantSession } from "../store/database.ts";
import { lockText } from "../store/lock.ts";
import { openSubjectsNaming } from "../store/message.ts";
import { readMany } from "../store/resource.ts";
import { readTasksAbout } from "../store/task.ts";
import { readThresholdSettings } from "../store/threshold-setting.ts";
import { carryOut } from "./review-patient.ts";
import type { Service } from "./service.ts";

/** Raises a Task for each pair of records that a person should look at, unless somebody has said that they are two people. */
export async function raiseDuplicates(
  service: Service,
  session: TenantSession,
  pairs: readonly Omit<RecordPair, "day">[],
): Promise<void> {
  const day = localDayOf(service.now(), service.defaultZone);
  const distinct = new Map(pairs.map((pair) => [pairSubject(pair.patientIds), pair]));
  for (const [subject, pair] of [...distinct].sort(([a], [b]) => (a < b ? -1 : 1))) {
    // A merge that is asked for, or was done, is a new question, whatever a person said before.
    if (pair.why !== "contradicting-merge" && (await saidToDiffer(session, pair.patientIds))) continue;
    await bringInLine(service, session, subject, possibleDuplicateFinding({ ...pair, day }));
  }
}

/** Closes the Tasks about a record that has been retired: whoever it might have been is settled. */
export async function closeDuplicates(service: Service, session: TenantSession, patientId: string): Promise<void> {
  for (const subject of await openSubjectsNaming(session, possibleDuplicate.code, patientId))
    await bringInLine(service, session, subject, undefined);
}

/** A link of type seealso between the two is how a person says that both stay (https://hl7.org/fhir/R4/valueset-link-type.html). */
export function areSaidToDiffer(one: Patient, other: Patient): boolean {
  const names = (patient: Patient, id: string | undefined) =>
    patient.link?.some((link) => link.type === "seealso" && link.other.reference === `Patient/${id}`) === true;
  return names(one, other.id) || names(other, one.id);
}

async function saidToDiffer(session: TenantSession, [one, other]: readonly [string, string]): Promise<boolean> {
  const stored = await readMany(session, [`Patient/${one}`, `Patient/${other}`]);
  const [first, second] = stored.map(({ body }) => JSON.parse(body) as Patient);
  return first !== undefined && second !== undefined && areSaidToDiffer(first, second);
}

async function bringInLine(
  service: Service,
  session: TenantSession,
  subject: string,
  finding: Finding | undefined,
): Promise<void> {
  await lockText(session, subject);
  const tasks = await readTasksAbout(session, possibleDuplicate.code, subject);
  const thresholds = effectiveThresholds(service.thresholds, await readThresholdSettings(session));
  const nowMs = service.now();
  const findings = finding === undefined ? [] : [{ ...finding, thresholdsVersion: thresholds.version }];
  const today = localDayOf(nowMs, service.defaultZone);
  const steps = taskSteps(findings, tasks, { today, nowMs, thresholds, applicable: () => true });
  await carryOut(service, session, steps, tasks, undefined);
}
