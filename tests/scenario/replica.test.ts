import { chmod, mkdtemp, realpath, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { setTimeout as sleep } from "node:timers/promises";
import { afterAll, beforeAll, expect, test } from "vitest";
import { type EmbeddedPostgres, startEmbeddedPostgres } from "../../src/store/embedded-postgres.ts";
import { migrate } from "../../src/store/migrate.ts";
import { onServer } from "../support/database.ts";
import { freePort, type RunningProcess, startProcess } from "../support/processes.ts";
import { makeReplica, type StreamingReplica } from "../support/streaming-replica.ts";

const token = "token-of-the-replica-test";
let folder: string;
let primary: EmbeddedPostgres;
let replica: StreamingReplica;
let service: RunningProcess;

beforeAll(async () => {
  folder = await realpath(await mkdtemp(join(tmpdir(), "tidegate-replica-")));
  await chmod(folder, 0o755); // for root, PostgreSQL runs as another user
  primary = await startEmbeddedPostgres({
    dataFolder: join(folder, "primary"),
    settings: { fsync: "off", wal_keep_size: "512MB" },
  });
  await migrate(primary.connectionString);
  replica = await makeReplica(primary, join(folder, "replica"));
  await replica.start();
  service = await startProcess({
    ...{
      connectionString: primary.connectionString,
      dataFolder: join(folder, "data"),
      token,
      role: "all",
      name: "all",
    },
    port: await freePort(),
    more: { DATABASE_REPLICA_URL: replica.connectionString, REPLICA_MAX_LAG_SECONDS: "3", DRAIN_SECONDS: "0" },
  });
}, 90_000);

afterAll(async () => {
  await service?.stop();
  await replica?.stop();
  await primary?.stop();
  await rm(folder, { recursive: true, force: true });
});

const headers = { authorization: `Bearer ${token}`, "content-type": "application/fhir+json" };

async function put(family: string): Promise<void> {
  const body = JSON.stringify({ resourceType: "Patient", id: "p", name: [{ family }] });
  expect((await fetch(`${service.origin}/fhir/Patient/p`, { method: "PUT", headers, body })).ok).toBe(true);
}

/** Who is on record, and where that was read. */
async function read(more: Record<string, string> = {}): Promise<{ family?: string; from: "primary" | "replica" }> {
  const answer = await fetch(`${service.origin}/fhir/Patient/p`, { headers: { ...headers, ...more } });
  const said = answer.headers.get("tidegate-read-from");
  if (said !== null) expect(said).toMatch(/^replica; lag=[0-3]\.\d$/);
  const body = (await answer.json()) as { name?: [{ family: string }] };
  const family = body.name?.[0].family;
  return { ...(family === undefined ? {} : { family }), from: said === null ? "primary" : "replica" };
}

async function until(wanted: Awaited<ReturnType<typeof read>>): Promise<void> {
  for (let tries = 1; ; tries++) {
    const found = await read();
    if (JSON.stringify(found) === JSON.stringify(wanted)) return;
    if (tries === 200) expect(found).toEqual(wanted);
    await sleep(100);
  }
}

const onReplica = (statement: string) => onServer(replica.connectionString, (client) => client.query(statement));

test("reads come from the replica and say so; their trail is the primary's", async () => {
  await put("First");
  await until({ family: "First", from: "replica" });
  const readers = `select 1 from audit_entry where action = 'R' and 'Patient/p' = any(entities)`;
  for (let rows = 0; rows === 0; await sleep(50)) {
    const found = await onServer(primary.connectionString, (client) => client.query(readers));
    rows = found.rowCount ?? 0;
  }
});

test("a replica that stands still is asked while it is within the bound, then left out, and asked again once it has caught up", async () => {
  await until({ family: "First", from: "replica" });
  await onReplica("select pg_wal_replay_pause()");
  await put("Second");
  // Who must have the newest says so.
  expect(await read({ "cache-control": "no-cache" })).toEqual({ family: "Second", from: "primary" });
  const stale: string[] = [];
  const start = performance.now();
  for (let found = await read(); found.from === "replica"; found = await read()) {
    stale.push(found.family ?? "");
    await sleep(50);
  }
  // 3 s are the bound, within which what is shown was true.
  expect(performance.now() - start).toBeLessThan(4_500);
  expect(new Set(stale)).toEqual(new Set(["First"]));
  expect(await read()).toEqual({ family: "Second", from: "primary" });
  await onReplica("select pg_wal_replay_resume()");
  await until({ family: "Second", from: "replica" });
}, 60_000);

test("a replica that goes away costs no answer, and is found again", async () => {
  await until({ family: "Second", from: "replica" });
  await replica.stop();
  for (let i = 0; i < 5; i++) expect(await read()).toEqual({ family: "Second", from: "primary" });
  await put("Third");
  expect(await read()).toEqual({ family: "Third", from: "primary" });
  await replica.start();
  await until({ family: "Third", from: "replica" });
}, 60_000);

test("one that was promoted is no replica any more", async () => {
  await until({ family: "Third", from: "replica" });
  await onReplica("select pg_promote()");
  await until({ family: "Third", from: "primary" });
  await put("Fourth");
  expect(await read()).toEqual({ family: "Fourth", from: "primary" });
}, 60_000);
