import { type BulkAttempt, beatBulkJob, lookAtBulk, lookAtPieces } from "../store/bulk-job.ts";
import { inTenant, type TenantSession } from "../store/database.ts";
import type { Service } from "./service.ts";

/** Thrown where an attempt of a job no longer counts: it was cancelled, or another worker took it over. */
export class Superseded extends Error {}

/** Thrown where the process is being stopped: another goes on with the job. */
export class BrokenOff extends Error {}

/** A job's signs of life. */
export interface Pulse {
  /** What is told to whoever asks, from the next sign of life on; at most 100 characters. */
  progress: string;
  /** Throws BrokenOff where the process is being stopped: asked where the work may be left. */
  goOn(): void;
  stop(): void;
}

const everyMs = 5_000;

/** Gives a sign of life of an attempt now and then, until it is stopped. */
export function startPulse(service: Service, tenantId: number, attempt: BulkAttempt, stopping?: AbortSignal): Pulse {
  const beat = () =>
    storingPieces(service, tenantId, (session) => beatBulkJob(session, attempt, service.now(), pulse.progress))
      // Where it does not come through, the work itself will meet the same trouble, or be taken over.
      .catch((error: { code?: string }) => service.log.warn({ code: error.code }, "a sign of life was not stored"));
  const timer = setInterval(() => void beat(), everyMs);
  timer.unref();
  const pulse: Pulse = {
    progress: "",
    goOn() {
      if (stopping?.aborted === true) throw new BrokenOff("the process is being stopped");
    },
    stop: () => clearInterval(timer),
  };
  return pulse;
}

/** Runs a transaction of the service's own work on exports and imports: it sees the jobs of all clients of the tenant. */
export function workingOnBulk<T>(
  service: Service,
  tenantId: number,
  work: (session: TenantSession) => Promise<T>,
): Promise<T> {
  return inTenant(service.database, tenantId, async (session) => {
    await lookAtBulk(session, "*");
    return work(session);
  });
}

/** The same for a piece of a file or a sign of life, which is on the disk no later than what follows from it. */
export function storingPieces<T>(
  service: Service,
  tenantId: number,
  work: (session: TenantSession) => Promise<T>,
): Promise<T> {
  return inTenant(service.database, tenantId, async (session) => {
    await lookAtPieces(session);
    return work(session);
  });
}

/** Goes on only where a statement says that this attempt still counts. */
export function orSuperseded(counts: boolean): void {
  if (!counts) throw new Superseded("another attempt, or none");
}
