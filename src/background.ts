import { setImmediate as nextTurn } from "node:timers/promises";
import type { Logger } from "pino";
import type { Ground } from "./configured-service.ts";
import { warmUp } from "./fhir/warm-up.ts";
import { deliveryJob, type Job, jobsOf, jobTimetable } from "./flows/jobs.ts";
import { pulseNotifications } from "./flows/keep-up-events.ts";
import { publishDefinitions } from "./flows/publish-definitions.ts";
import type { Service } from "./flows/service.ts";
import { jobLogOn } from "./log.ts";
import { startWorker, type Worker } from "./store/worker.ts";
import { watchedJobs } from "./watch/watched-jobs.ts";
import type { Watcher } from "./watch/watcher.ts";

/** Notifications that a process sends at once: each waits for its endpoint and for little else. */
const deliveriesAtOnce = 4;

/**
 * Starts what works behind a service that listens: the worker, then at leisure the definitions it has not read yet and
 * our own definitions for every tenant. Answers how to stop it, which lets finish what has begun; exports and imports, which may
 * take hours, are left to another process.
 */
export async function startBackground(
  service: Service,
  { config, log, store }: Ground,
  watchers: readonly Watcher[] = [],
): Promise<() => Promise<void>> {
  const stopping = new AbortController();
  const bulkAtOnce = Math.max(1, config.WORKER_CONCURRENCY - 1);
  const workers =
    config.ROLE === "api" || config.WORKER_CONCURRENCY === 0
      ? []
      : await startWorkers(
          store.ownerUrl,
          watchedJobs(jobsOf(service, bulkAtOnce, stopping.signal), log, watchers),
          config.WORKER_CONCURRENCY,
          jobLogOn(log),
        );
  const pulse = workers.length === 0 ? undefined : pulseNotifications(service);
  const working = workAtLeisure(service, log, stopping.signal);
  return async () => {
    stopping.abort();
    await working;
    await pulse?.stop();
    await Promise.all(workers.map((worker) => worker.stop()));
  };
}

/**
 * One worker for what the service computes, and one for notifications: endpoints that are slow keep no review waiting, and a
 * night's reviews no notification.
 */
async function startWorkers(
  ownerUrl: string,
  jobs: Readonly<Record<string, Job>>,
  concurrency: number,
  onLog: (level: string, message: string) => void,
): Promise<readonly Worker[]> {
  const some = (isWanted: (kind: string) => boolean) =>
    Object.fromEntries(Object.entries(jobs).filter(([kind]) => isWanted(kind)));
  const computing = some((kind) => kind !== deliveryJob);
  const telling = some((kind) => kind === deliveryJob);
  return [
    await startWorker(ownerUrl, computing, { concurrency, timetable: jobTimetable, onLog }),
    await startWorker(ownerUrl, telling, { concurrency: deliveriesAtOnce, timetable: "", onLog }),
  ];
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
