import { mkdtemp, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { setTimeout as sleep } from "node:timers/promises";
import { afterAll, beforeAll, expect, test } from "vitest";
import { onServer, type TestDatabase, testDatabase } from "../support/database.ts";
import { freePort, type RunningProcess, startProcess } from "../support/processes.ts";
import { type Receiver, startReceiver } from "../support/receiver.ts";
import { kindOf, subscription, task } from "../support/subscribing.ts";

// What works behind the doors, in a real process: how it stops, and what keeps what waiting.
const token = "token-of-the-background-test";
let here: TestDatabase;
let folder: string;
let receivers: Receiver[];
let running: RunningProcess | undefined;

beforeAll(async () => {
  here = await testDatabase();
  folder = await mkdtemp(join(tmpdir(), "tidegate-background-"));
  receivers = await Promise.all([1, 2, 3].map(() => startReceiver()));
});

afterAll(async () => {
  await running?.stop("SIGKILL");
  await Promise.all(receivers.map((one) => one.close()));
  await here.drop();
  await rm(folder, { recursive: true, force: true });
});

async function start(more: Record<string, string>): Promise<RunningProcess> {
  const port = await freePort();
  const where = { connectionString: here.connectionString, dataFolder: folder, token, port };
  running = await startProcess({ ...where, role: "all", name: "background", more });
  return running;
}

async function rowsOf<Row>(query: string): Promise<Row[]> {
  return (await onServer(here.connectionString, (one) => one.query(query))).rows as Row[];
}

async function put(resource: { readonly resourceType: string; readonly id: string }): Promise<number> {
  const headers = { authorization: `Bearer ${token}`, "content-type": "application/fhir+json" };
  const url = `${running?.origin}/fhir/${resource.resourceType}/${resource.id}`;
  const answer = await fetch(url, { method: "PUT", headers, body: JSON.stringify(resource) });
  await answer.text();
  return answer.status;
}

async function until(holds: () => boolean | Promise<boolean>): Promise<void> {
  for (let waited = 0; !(await holds()) && waited < 20_000; waited += 50) await sleep(50);
  expect(await holds()).toBe(true);
}

test("a signal while the worker starts lets finish the jobs that it has begun, and leaves none locked", async () => {
  await onServer(here.connectionString, (one) =>
    one.query("select graphile_worker.add_job('forget-tokens', '{}') from generate_series(1, 3000)"),
  );
  // It listens before the worker has started, which then works while the doors are still being closed.
  const process_ = await start({ DRAIN_SECONDS: "1" });
  await until(() => process_.said().includes("Tidegate is listening"));
  expect(await process_.stop("SIGTERM")).toBe(0);
  const locked = await rowsOf("select id from graphile_worker._private_jobs where locked_at is not null");
  expect(locked).toEqual([]);
  await onServer(here.connectionString, (one) => one.query("delete from graphile_worker._private_jobs"));
}, 40_000);

test("endpoints that are slow keep neither reviews waiting nor an endpoint that is quick", async () => {
  await start({ NOTIFY_LOOPBACK: "on", NOTIFY_TIMEOUT_MS: "6000", WORKER_CONCURRENCY: "1" });
  const [slow, alsoSlow, quick] = receivers as [Receiver, Receiver, Receiver];
  slow.answer = () => undefined;
  alsoSlow.answer = () => undefined;
  expect(await put(subscription("slow", slow.url))).toBe(201);
  expect(await put(subscription("also-slow", alsoSlow.url))).toBe(201);
  await until(() => slow.arrived.length > 0 && alsoSlow.arrived.length > 0);
  expect(await put(subscription("quick", quick.url))).toBe(201);
  await until(() => quick.arrived.length > 0);
  expect(await put({ resourceType: "Patient", id: "p" })).toBe(201);
  expect(await put(task("t"))).toBe(201);
  await until(() => quick.arrived.some(({ body }) => kindOf(body) === "event-notification"));
  await onServer(here.connectionString, (one) => one.query("select graphile_worker.add_job('forget-tokens', '{}')"));
  await until(async () => {
    const [row] = await rowsOf<{ jobs: number }>(
      `select count(*)::int as jobs from graphile_worker._private_jobs j join graphile_worker._private_tasks t on t.id = j.task_id
       where t.identifier = 'forget-tokens'`,
    );
    return row?.jobs === 0;
  });
  // Still at their first try.
  expect([slow.arrived.length, alsoSlow.arrived.length]).toEqual([1, 1]);
}, 60_000);
