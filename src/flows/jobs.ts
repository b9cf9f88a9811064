import { localDayOf } from "../domain/local-day.ts";
import { inTenant, readInTenant } from "../store/database.ts";
import { makePartitions, rowsAstray } from "../store/partition.ts";
import { queueDueReviews } from "../store/summary.ts";
import { overdueSubjectsAbout } from "../store/task.ts";
import { listTenants } from "../store/tenant.ts";
import { keepUpBulk } from "./bulk-upkeep.ts";
import { causedBy, causeOf } from "./cause.ts";
import { deliverNotifications } from "./deliver-notifications.ts";
import { forgetOldEvents } from "./keep-up-events.ts";
import { makeRelease, releaseWorks } from "./make-release.ts";
import { raiseOverdue } from "./raise-overdue.ts";
import { reviewPatient, reviewPatients } from "./review-patient.ts";
import { reviewUnmatched } from "./review-unmatched.ts";
import { forgetTokens } from "./revoke-token.ts";
import { bulkRunner } from "./run-bulk.ts";
import type { Service } from "./service.ts";

/** One kind of background work; the payload is what the queueing statement wrote, with the request that caused it (`causeOf`). */
export type Job = (payload: unknown) => Promise<void>;

/** Patients that one job reviews when time alone makes it due: it takes a tenth of a second. */
const patientsAJob = 100;

/** The kind of job that waits for others outside, and not for the database. */
export const deliveryJob = "deliver-notifications";

/** Every kind of background work by its name in the job table. */
export function jobsOf(service: Service, bulkAtOnce = 1, stopping?: AbortSignal): Readonly<Record<string, Job>> {
  const runBulk = bulkRunner(service, bulkAtOnce, stopping);
  return {
    "review-patient": async (payload) => {
      const { tenantId, patientId } = payload as { tenantId: number; patientId: string };
      await reviewPatient(causedBy(service, causeOf(payload)), tenantId, patientId);
    },
    "review-patients": async (payload) => {
      const { tenantId, patientIds } = payload as { tenantId: number; patientIds: string[] };
      await reviewPatients(service, tenantId, patientIds);
    },
    "review-unmatched": async (payload) => {
      const { tenantId, deviceIdentifier } = payload as { tenantId: number; deviceIdentifier: string };
      await reviewUnmatched(causedBy(service, causeOf(payload)), tenantId, deviceIdentifier);
    },
    "make-release": async (payload) => {
      const { tenantId, number } = payload as { tenantId: number; number: number };
      await makeRelease(causedBy(service, causeOf(payload)), releaseWorks, tenantId, number);
    },
    "run-bulk": async (payload) => {
      const { tenantId, jobId } = payload as { tenantId: number; jobId: string };
      await runBulk(tenantId, jobId, causeOf(payload));
    },
    [deliveryJob]: async (payload) => {
      const { tenantId, subscriptionId } = payload as { tenantId: number; subscriptionId: string };
      await deliverNotifications(service, tenantId, subscriptionId);
    },
    "keep-up-bulk": () => keepUpBulk(service),
    "forget-events": () => forgetOldEvents(service),
    "review-by-time": () => queueReviewsByTime(service),
    "forget-tokens": () => forgetTokens(service),
    "prepare-months": () => prepareMonths(service),
  };
}

/**
 * Runs `review-by-time` every ten minutes: a missed session sends nothing, so the clock must ask as well. Once an hour
 * tokens that are long over are forgotten, and events that are kept no longer; once a day the months to come get their partitions. Each
 * minute exports and imports are looked after: those that are over, and those whose worker died. Of several workers that do so at
 * once, one queues each job, before all that waits: a hundred thousand reviews keep the clock standing for an hour. Each waits
 * once at most.
 */
export const jobTimetable = [
  "*/10 * * * * review-by-time",
  "17 * * * * forget-tokens",
  "27 * * * * forget-events",
  "41 3 * * * prepare-months",
  "* * * * * keep-up-bulk",
]
  .map((line) => `${line} ?priority=-2&jobKey=clock:${line.split(" ").at(-1)}`)
  .join("\n");

/**
 * Queues the review of every patient whose local day has changed since the last one, and looks again at unmatched records,
 * doubtful pairs and stopped notifications whose Task is overdue: those concern no patient, so no patient's review would raise
 * their priority.
 */
export async function queueReviewsByTime(service: Service): Promise<void> {
  for (const { tenantId } of await listTenants(service.database)) {
    await inTenant(service.database, tenantId, (session) => queueDueReviews(session, service.now(), patientsAJob));
    const today = localDayOf(service.now(), service.defaultZone);
    const subjects = await readInTenant(service.database, tenantId, (session) =>
      overdueSubjectsAbout(session, "unmatched-record", today),
    );
    for (const subject of subjects) await reviewUnmatched(service, tenantId, subject.slice("device:".length));
    await raiseOverdue(service, tenantId);
  }
}

/** Makes the partitions of the months to come, and tells of rows that lie in none: they are found, but never dropped with a month. */
export async function prepareMonths({ database, log }: Pick<Service, "database" | "log">): Promise<void> {
  const made = await makePartitions(database);
  if (made > 0) log.info({ made }, "made partitions of the months to come");
  for (const { table, rows } of await rowsAstray(database)) {
    log.error({ table, rows }, "rows lie outside every month's partition: is a clock far ahead?");
  }
}
