import { localDayOf } from "../domain/local-day.ts";
import { inTenant, readInTenant } from "../store/database.ts";
import { queueReviews } from "../store/facts.ts";
import { patientsDueForReview } from "../store/summary.ts";
import { overdueSubjectsAbout } from "../store/task.ts";
import { listTenants } from "../store/tenant.ts";
import { makeRelease, releaseWorks } from "./make-release.ts";
import { reviewPatient } from "./review-patient.ts";
import { reviewUnmatched } from "./review-unmatched.ts";
import { forgetTokens } from "./revoke-token.ts";
import type { Service } from "./service.ts";

/** One kind of background work; the payload is what the queueing statement wrote. */
export type Job = (payload: unknown) => Promise<void>;

const pageOfPatients = 5_000;

/** Every kind of background work by its name in the job table. */
export function jobsOf(service: Service): Readonly<Record<string, Job>> {
  return {
    "review-patient": async (payload) => {
      const { tenantId, patientId } = payload as { tenantId: number; patientId: string };
      await reviewPatient(service, tenantId, patientId);
    },
    "review-unmatched": async (payload) => {
      const { tenantId, deviceIdentifier } = payload as { tenantId: number; deviceIdentifier: string };
      await reviewUnmatched(service, tenantId, deviceIdentifier);
    },
    "make-release": async (payload) => {
      const { tenantId, number } = payload as { tenantId: number; number: number };
      await makeRelease(service, releaseWorks, tenantId, number);
    },
    "review-by-time": () => queueReviewsByTime(service),
    "forget-tokens": () => forgetTokens(service),
  };
}

/**
 * Runs `review-by-time` every ten minutes: a missed session sends nothing, so the clock must ask as well. Once an hour
 * tokens that are long over are forgotten.
 */
export const jobTimetable = "*/10 * * * * review-by-time\n17 * * * * forget-tokens";

/**
 * Queues the review of every patient whose local day has changed since the last one, and looks again at unmatched records
 * whose Task is overdue: those concern no patient, so no patient's review would raise their priority.
 */
export async function queueReviewsByTime(service: Service): Promise<void> {
  for (const { tenantId } of await listTenants(service.database)) {
    const due = await readInTenant(service.database, tenantId, (session) =>
      patientsDueForReview(session, service.now(), pageOfPatients),
    );
    if (due.length > 0) await inTenant(service.database, tenantId, (session) => queueReviews(session, due));
    const today = localDayOf(service.now(), service.defaultZone);
    const subjects = await readInTenant(service.database, tenantId, (session) =>
      overdueSubjectsAbout(session, "unmatched-record", today),
    );
    for (const subject of subjects) await reviewUnmatched(service, tenantId, subject.slice("device:".length));
  }
}
