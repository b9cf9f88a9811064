import type { Logger } from "pino";
import { type Cause, causeOf, withCause } from "../flows/cause.ts";
import type { Job } from "../flows/jobs.ts";
import type { Watcher } from "./watcher.ts";

/**
 * The same jobs, each told of in the log – its kind, how long it took, the request that it follows from – and to the
 * watchers. What the clock asks for comes every minute, and is only worth a line when it fails.
 */
export function watchedJobs(
  jobs: Readonly<Record<string, Job>>,
  log: Logger,
  watchers: readonly Pick<Watcher, "onJob">[],
  now: () => number = () => performance.now(),
): Readonly<Record<string, Job>> {
  const entries = Object.entries(jobs).map(([kind, job]) => [kind, watched(kind, job)] as const);
  return Object.fromEntries(entries);

  function watched(kind: string, job: Job): Job {
    return async (payload) => {
      const cause = causeOf(payload);
      const told = watchers.map((one) => one.onJob(kind, cause));
      const begunMs = now();
      const line = () => ({ job: kind, ...logged(cause), ms: Math.round(now() - begunMs) });
      try {
        await job(withCause(payload, told.find((one) => one.cause !== undefined)?.cause ?? cause));
        for (const one of told) one.ended();
        if (cause === undefined) log.debug(line(), "a job is done");
        else log.info(line(), "a job is done");
      } catch (error) {
        for (const one of told) one.ended(error);
        log.error({ ...line(), err: error }, "a job failed; it is tried again");
        throw error;
      }
    };
  }
}

function logged(cause: Cause | undefined): { readonly reqId?: string; readonly traceparent?: string } {
  if (cause === undefined) return {};
  const { requestId, traceparent } = cause;
  return { reqId: requestId, ...(traceparent === undefined ? {} : { traceparent }) };
}
