import { deleteBulkJob, expiredBulkJobs, queueBulk, stalledBulkJobs } from "../store/bulk-job.ts";
import { listTenants } from "../store/tenant.ts";
import { silentMs } from "./bulk-limits.ts";
import { workingOnBulk } from "./bulk-pulse.ts";
import type { Service } from "./service.ts";

/** After how long an import that no longer arrives is taken away. */
const brokenOffMs = 3_600_000;

/**
 * Takes exports and imports away whose time is over, and queues those anew whose worker died: the job table itself would
 * wait four hours for it.
 */
export async function keepUpBulk(service: Service): Promise<void> {
  const nowMs = service.now();
  for (const { tenantId } of await listTenants(service.database)) {
    const { over, stalled } = await workingOnBulk(service, tenantId, async (session) => ({
      over: await expiredBulkJobs(session, nowMs, nowMs - brokenOffMs),
      stalled: await stalledBulkJobs(session, nowMs - silentMs),
    }));
    // One transaction each: the files of one may be many gigabytes.
    for (const jobId of over) await workingOnBulk(service, tenantId, (session) => deleteBulkJob(session, jobId));
    for (const jobId of stalled) await workingOnBulk(service, tenantId, (session) => queueBulk(session, jobId));
  }
}
