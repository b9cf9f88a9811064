import { noteAudit } from "../store/audit.ts";
import { type BulkJob, claimBulkJob, finishBulkJob, queueBulk, releaseBulkJob } from "../store/bulk-job.ts";
import { findClient } from "../store/client.ts";
import { bulkEntry } from "./bulk-entry.ts";
import { silentMs } from "./bulk-limits.ts";
import { BrokenOff, type Pulse, Superseded, startPulse, workingOnBulk } from "./bulk-pulse.ts";
import { type Cause, causedBy } from "./cause.ts";
import { runExport } from "./run-export.ts";
import { runImport } from "./run-import.ts";
import type { Service } from "./service.ts";

/** How often a job is begun before it is given up, and how long it rests after the first try that failed. */
const [mostAttempts, restSeconds] = [5, 2];

/** After how long a job asks again for a place in a process that has none free. */
const noPlaceSeconds = 2;

type Work = (service: Service, tenantId: number, job: BulkJob, pulse: Pulse) => Promise<void>;

const works: Readonly<Record<BulkJob["kind"], Work>> = { export: runExport, import: runImport };

/**
 * The work on exports and imports, in one process at most `mostAtOnce` at the same time: they take minutes, and reviews must
 * not wait for them. Once `stopping` is aborted they are left to another process, as soon as they may be.
 */
export function bulkRunner(
  own: Service,
  mostAtOnce: number,
  stopping?: AbortSignal,
): (tenantId: number, jobId: string, cause?: Cause) => Promise<void> {
  let going = 0;
  return async (tenantId, jobId, cause) => {
    const service = causedBy(own, cause);
    if (going >= mostAtOnce || stopping?.aborted === true) {
      await workingOnBulk(service, tenantId, (session) => queueBulk(session, jobId, noPlaceSeconds));
      return;
    }
    going += 1;
    try {
      await runBulk(service, tenantId, jobId, stopping);
    } finally {
      going -= 1;
    }
  };
}

/** Works on one job until it has ended; where another is at it, or it was cancelled, nothing is done. */
export async function runBulk(
  service: Service,
  tenantId: number,
  jobId: string,
  stopping?: AbortSignal,
): Promise<void> {
  const nowMs = service.now();
  const { job, isDisabled } = await workingOnBulk(service, tenantId, async (session) => {
    const claimed = await claimBulkJob(session, jobId, nowMs, nowMs - silentMs);
    const client = claimed && (await findClient(session, claimed.clientId));
    return { job: claimed, isDisabled: client?.disabledMs !== undefined };
  });
  if (job === undefined) return;
  if (isDisabled) return giveUp(service, tenantId, job, "The client was disabled.");
  const pulse = startPulse(service, tenantId, job, stopping);
  try {
    await works[job.kind](service, tenantId, job, pulse);
  } catch (error) {
    if (error instanceof Superseded) return;
    if (error instanceof BrokenOff) return putBack(service, tenantId, job, 0);
    const { code, message } = error as { code?: string; message?: string };
    // PostgreSQL's messages repeat values; ours do not.
    service.log.error({ job: job.kind, attempt: job.attempt, code, why: code ? undefined : message }, "a job failed");
    if (job.attempt >= mostAttempts)
      return giveUp(service, tenantId, job, "It was tried several times and failed. Ask for it again later.");
    await putBack(service, tenantId, job, restSeconds ** job.attempt);
  } finally {
    pulse.stop();
  }
}

function putBack(service: Service, tenantId: number, job: BulkJob, afterSeconds: number): Promise<void> {
  return workingOnBulk(service, tenantId, async (session) => {
    await releaseBulkJob(session, job);
    await queueBulk(session, job.jobId, afterSeconds);
  });
}

/** Ends a job that failed. The trail says so, as it does of one that was finished: of what it had made nothing is handed out. */
async function giveUp(service: Service, tenantId: number, job: BulkJob, reason: string): Promise<void> {
  const finishedMs = service.now();
  const expiresMs = finishedMs + service.limits.bulk.keptMs;
  await workingOnBulk(service, tenantId, async (session) => {
    if (!(await finishBulkJob(session, job, { finishedMs, expiresMs, reason }))) return;
    noteAudit(session, {
      ...bulkEntry(job, finishedMs),
      outcome: "8",
      reason,
      patientIds: [],
      entities: [`Bulk job ${job.jobId}`],
      query: job.requestUrl.split("?")[1] ?? "",
    });
  });
  service.trail?.touch(tenantId);
}
