import { Logger, type Runner, run } from "graphile-worker";

/** A running worker; `stop` lets the jobs that have begun finish. */
export interface Worker {
  stop(): Promise<void>;
}

/**
 * Starts taking jobs from the job table. It connects as the owner of the job tables, not as the service role;
 * each job opens its own tenant session.
 */
export async function startWorker(
  connectionString: string,
  jobs: Readonly<Record<string, (payload: unknown) => Promise<void>>>,
  options: { concurrency: number; timetable: string; onLog: (level: string, message: string) => void },
): Promise<Worker> {
  const runner: Runner = await run({
    connectionString,
    concurrency: options.concurrency,
    maxPoolSize: options.concurrency + 2,
    noHandleSignals: true,
    pollInterval: 2_000,
    crontab: options.timetable,
    taskList: Object.fromEntries(
      Object.entries(jobs).map(([name, job]) => [name, async (payload: unknown) => job(payload)]),
    ),
    // Without a batch the library forgets, when it stops, jobs that it is just noting as done: they would stay locked, and be
    // done again. A batch, however short, is waited for.
    preset: { worker: { completeJobBatchDelay: 0, failJobBatchDelay: 0 } },
    logger: new Logger(() => (level, message) => options.onLog(level, message)),
  });
  return { stop: () => runner.stop() };
}
