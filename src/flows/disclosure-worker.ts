/** A thread of its own that answers one request for disclosure control: `disclosure-thread.ts` starts it. */
import { parentPort, workerData } from "node:worker_threads";
import { disclose, type ReleaseRequest } from "../domain/disclosure/release.ts";
import { loadIntervalSolver } from "./interval-solver.ts";

const solver = await loadIntervalSolver();
parentPort?.postMessage(disclose({ ...(workerData as Omit<ReleaseRequest, "solver">), solver }));
