import { once } from "node:events";
import { Worker } from "node:worker_threads";
import type { Release, ReleaseRequest } from "../domain/disclosure/release.ts";
import type { Result } from "../domain/result.ts";

/**
 * `disclose` on a thread of its own: it may compute for a minute, and the doors must answer meanwhile. Both ways everything
 * is copied.
 */
export async function discloseApart(request: Omit<ReleaseRequest, "solver">): Promise<Result<Release>> {
  const worker = new Worker(new URL("./disclosure-worker.ts", import.meta.url), { workerData: request });
  try {
    // An error of the thread rejects this.
    const [answer] = (await once(worker, "message")) as [Result<Release>];
    return answer;
  } finally {
    await worker.terminate();
  }
}
