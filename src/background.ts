import { setImmediate as nextTurn } from "node:timers/promises";
import type { Logger } from "pino";
import type { Ground } from "./configured-service.ts";
import { warmUp } from "./fhir/warm-up.ts";
import { jobsOf, jobTimetable } from "./flows/jobs.ts";
import { pulseNotifications } from "./flows/keep-up-events.ts";
import { publishDefinitions } from "./flows/publish-definitions.ts";
import type { Service } from "./flows/service.ts";
import { jobLogOn } from "./log.ts";
import { startWorker } from "./store/worker.ts";
import { watchedJobs } from "./watch/watched-jobs.ts";
import type { Watcher } from "./watch/watcher.ts";

/**
 * Starts what works behind a service that listens: the worker, then at leisure the definitions it has not read yet and
 * our own definitions for every tenant. Answers how to stop it, which lets finish what has begun.
 */
export async function startBackground(
  service: Service,
  { config, log, store }: Ground,
  watchers: readonly Watcher[] = [],
): Promise<() => Promise<void>> {
  const leisure = new AbortController();
  const bulkAtOnce = Math.max(1, config.WORKER_CONCURRENCY - 1);
  const worker =
    config.ROLE === "api" || config.WORKER_CONCURRENCY === 0
      ? undefined
      : await startWorker(store.ownerUrl, watchedJobs(jobsOf(service, bulkAtOnce), log, watchers), {
          concurrency: config.WORKER_CONCURRENCY,
          timetable: jobTimetable,
          onLog: jobLogOn(log),
        });
  const pulse = worker === undefined ? undefined : pulseNotifications(service);
  const working = workAtLeisure(service, log, leisure.signal);
  return async () => {
    leisure.abort();
    await working;
    await pulse?.stop();
    await worker?.stop();
  };
}

/** Nobody waits for any of this, and requests come between its steps. */
async function workAtLeisure(service: Service, log: Logger, signal: AbortSignal): Promise<void> {
  for (const step of warmUp(service.definitions)) {
    if (signal.aborted) return;
    step();
    await nextTurn();
  }
  if (!signal.aborted) await publish(service, log);
}

/** Serves our own definitions from every tenant; what goes wrong with that keeps nobody from their patients. */
async function publish(service: Service, log: Logger): Promise<void> {
  try {
    const published = await publishDefinitions(service);
    if (published > 0) log.info({ published }, "stored our own definitions with every tenant");
  } catch (error) {
    log.error(
      { code: (error as { code?: string }).code },
      "our own definitions could not be stored; the next start tries again",
    );
  }
}
