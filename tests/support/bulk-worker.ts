import { jobsOf } from "../../src/flows/jobs.ts";
import { openDatabase } from "../../src/store/database.ts";
import { startWorker } from "../../src/store/worker.ts";
import { serviceOf } from "./service.ts";

// A worker in a process of its own, for tests that kill it: `node bulk-worker.ts <connection string>`.
const connectionString = process.argv[2] ?? "";
const service = { ...serviceOf(openDatabase(connectionString)), now: () => Date.now() };
await startWorker(connectionString, jobsOf(service), { concurrency: 1, timetable: "", onLog: () => undefined });
