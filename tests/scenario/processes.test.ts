import { mkdtemp, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { setTimeout as sleep } from "node:timers/promises";
import { afterAll, beforeAll, expect, test } from "vitest";
import { verifyAudit } from "../../src/store/audit.ts";
import { type Database, openDatabase, readInTenant } from "../../src/store/database.ts";
import { findTenant } from "../../src/store/tenant.ts";
import { emptyDatabase, onServer, type TestDatabase } from "../support/database.ts";
import { numberedUpload, peopleBundle } from "../support/loads.ts";
import {
  freePort,
  type ProcessSettings,
  type RoundRobin,
  type RunningProcess,
  roundRobin,
  startProcess,
} from "../support/processes.ts";

const token = "token-of-the-processes-test";
const people = 24;
const sessionsEach = 20;

let empty: TestDatabase;
let database: Database;
let folder: string;
let settings: ProcessSettings[];
const running = new Map<string, RunningProcess>();
/** What processes said that have ended since. */
const formerly: string[] = [];
let client: RoundRobin;

beforeAll(async () => {
  empty = await emptyDatabase();
  folder = await mkdtemp(join(tmpdir(), "tidegate-processes-"));
  const ports = await Promise.all([1, 2, 3, 4].map(freePort));
  settings = (["api", "api", "worker", "worker"] as const).map((role, n) => ({
    ...{ connectionString: empty.connectionString, token, role, name: `${role}-${n}`, port: ports[n] ?? 0 },
    ...{ dataFolder: join(folder, String(n)), more: { DRAIN_SECONDS: "1" } },
  }));
  // All four at once, on a database without a table.
  await Promise.all(settings.map(async (one) => running.set(one.name, await startProcess(one))));
  client = roundRobin(originsOf("api"), token);
  database = openDatabase(empty.connectionString);
}, 60_000);

afterAll(async () => {
  client?.close();
  await Promise.all([...running.values()].map((one) => one.stop("SIGKILL")));
  await database?.close();
  await empty.drop();
  await rm(folder, { recursive: true, force: true });
});

const originsOf = (role: string) =>
  [...running].filter(([name]) => name.startsWith(role)).map(([, { origin }]) => origin);

async function rowOf<Row>(query: string): Promise<Row> {
  const answer = await onServer(empty.connectionString, (one) => one.query(query));
  return answer.rows[0] as Row;
}

async function untilIdle(): Promise<void> {
  for (;;) {
    const { jobs } = await rowOf<{ jobs: number }>("select count(*)::int as jobs from graphile_worker._private_jobs");
    if (jobs === 0) return;
    await sleep(100);
  }
}

async function countOf(type: string): Promise<number> {
  const answer = await client.call("GET", `/fhir/${type}?_count=0`);
  return (JSON.parse(answer.body) as { total: number }).total;
}

/** Numbers of the jobs that these processes say they completed. */
const completed = (said: readonly string[]) =>
  said.flatMap((text) => [...text.matchAll(/Completed task (\d+) \(review-patient/g)].map(([, id]) => id ?? ""));

async function lane(numbers: readonly number[]): Promise<void> {
  for (const number of numbers) {
    const answer = await client.call("POST", "/api/v1/use-records", numberedUpload(number, people, sessionsEach));
    expect([answer.status, answer.body]).toEqual([200, expect.stringContaining(`"created":${sessionsEach}`)]);
    const read = await client.call("GET", `/fhir/Observation?patient=p${number % people}&_count=5`);
    expect(read.status).toBe(200);
  }
}

test("four that start at once on an empty database make one schema, and our definitions once", async () => {
  const publishing = async () => {
    for (;;) {
      const total = await countOf("StructureDefinition");
      if (total > 0 && [...running.values()].every(({ said }) => !said().includes("could not be stored"))) return;
      await sleep(100);
    }
  };
  await publishing();
  const sql =
    "select count(*)::int as rows from resource_version where type in ('StructureDefinition', 'ValueSet', 'CodeSystem')";
  expect(await rowOf(sql)).toEqual({ rows: 0 });
  expect(await rowOf("select count(*)::int as keys from service_key")).toEqual({ keys: 1 });
});

test("a worker has no door but its health", async () => {
  const [worker = ""] = originsOf("worker");
  const statuses = ["/health/ready", "/health/live", "/fhir/metadata", "/api/v1/caseload", "/docs"].map(
    async (path) => (await fetch(`${worker}${path}`)).status,
  );
  expect(await Promise.all(statuses)).toEqual([200, 200, 404, 404, 404]);
});

test("what is sent to both at the same moment is stored once, and a page link of one is good at the other", async () => {
  expect((await client.call("POST", "/fhir", peopleBundle(people))).status).toBe(200);
  const twice = await Promise.all(
    [0, 1].map(() => client.call("POST", "/api/v1/use-records", numberedUpload(0, people, sessionsEach))),
  );
  const created = twice.map(({ status, body }) => {
    expect(status).toBe(200);
    return (JSON.parse(body) as { created: number }).created;
  });
  expect(created.reduce((sum, one) => sum + one, 0)).toBe(sessionsEach);
  const origins = originsOf("api");
  const page = async (url: string) => {
    const answer = await fetch(url, { headers: { authorization: `Bearer ${token}` } });
    return (await answer.json()) as {
      entry: { resource: { id: string } }[];
      link: { relation: string; url: string }[];
    };
  };
  const first = await page(`${origins[0]}/fhir/Observation?_count=12`);
  const next = first.link.find(({ relation }) => relation === "next")?.url ?? "";
  const second = await page(next.replace(origins[0] ?? "", origins[1] ?? ""));
  const ids = [...first.entry, ...second.entry].map(({ resource }) => resource.id);
  expect(new Set(ids).size).toBe(sessionsEach);
});

test("each job is done once, by workers alone, and both take part", async () => {
  await Promise.all([0, 1, 2, 3].map((n) => lane(Array.from({ length: 18 }, (_, i) => 1 + n + i * 4))));
  await untilIdle();
  await sleep(300);
  const saidBy = (role: string) => [...running].filter(([name]) => name.startsWith(role)).map(([, one]) => one.said());
  const done = completed(saidBy("worker"));
  expect(new Set(done).size).toBe(done.length);
  expect(completed(saidBy("api"))).toEqual([]);
  for (const said of saidBy("worker")) expect(completed([said]).length).toBeGreaterThan(0);
  expect(await rowOf("select count(*)::int as people from patient_summary")).toEqual({ people });
});

test("a rolling restart under load loses no request and doubles nothing", async () => {
  let isOver = false;
  let sent = 73;
  const loads = Promise.all(
    [0, 1, 2].map(async () => {
      while (!isOver) await lane([sent++]);
    }),
  );
  for (const one of settings) {
    const before = running.get(one.name);
    const stopping = before?.stop("SIGTERM");
    await sleep(200);
    // Not ready any more, while it still answers.
    const health = await Promise.all(
      ["ready", "live"].map(async (what) => (await fetch(`${before?.origin}/health/${what}`)).status),
    );
    expect(health).toEqual([503, 200]);
    expect(await stopping).toBe(0);
    formerly.push(before?.said() ?? "");
    running.set(one.name, await startProcess(one));
    await sleep(500);
  }
  isOver = true;
  await loads;
  expect(client.turnedAway.unavailable + client.turnedAway.refused).toBeGreaterThan(0);
  await untilIdle();
  expect(await countOf("Observation")).toBe(sent * sessionsEach);
  expect(await countOf("DeviceUseStatement")).toBe(sent * sessionsEach + people);
  const uploads = await rowOf("select count(*)::int as rows, max(attempts) as attempts from received_upload");
  expect(uploads).toEqual({ rows: sent, attempts: 2 }); // the one that was sent to both
  expect(sent).toBeGreaterThan(80);
  const done = completed([...formerly, ...[...running.values()].map((one) => one.said())]);
  expect(new Set(done).size).toBe(done.length);
}, 120_000);

test("the trail is whole, and no process is said to have been lost", async () => {
  await Promise.all([...running.values()].map(async (one) => expect(await one.stop()).toBe(0)));
  const tenant = await findTenant(database, "test");
  const check = await readInTenant(database, tenant?.tenantId ?? 0, (session) => verifyAudit(session));
  expect(check).toMatchObject({ ok: true });
  const kinds =
    "count(*) filter (where kind = 'process-lost')::int as lost, count(*) filter (where kind = 'process-start')::int as started";
  expect(await rowOf(`select ${kinds} from audit_entry where tenant_id = ${tenant?.tenantId}`)).toEqual({
    lost: 0,
    started: 4,
  });
}, 30_000);
