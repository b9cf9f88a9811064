import { afterAll, beforeAll, expect, test } from "vitest";
import type { AuditEntry } from "../../src/fhir/audit-event.ts";
import { auditBuffer } from "../../src/flows/audit-buffer.ts";
import { appendAudit, readAudit, verifyAudit } from "../../src/store/audit.ts";
import { type AuditRun, startAuditRun, stopAuditRun } from "../../src/store/audit-run.ts";
import { type Database, inTenant, openDatabase, readInTenant } from "../../src/store/database.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { testDatabase } from "../support/database.ts";

let database: Database;
let drop: () => Promise<void>;

beforeAll(async () => {
  const made = await testDatabase();
  database = openDatabase(made.connectionString);
  drop = made.drop;
});

afterAll(async () => {
  await database.close();
  await drop();
});

const atMs = Date.parse("2026-06-10T08:30:00Z");
const read: AuditEntry = {
  atMs,
  clientId: "ward-app",
  action: "R",
  kind: "rest",
  outcome: "0",
  route: "/fhir/:type/:id",
  requestId: "req-1",
  patientIds: ["p1"],
  entities: ["Patient/p1"],
};

/** A buffer of one run over the real trail. */
function bufferOf(run: AuditRun) {
  return auditBuffer({
    append: (tenantId, entries) => inTenant(database, tenantId, (session) => appendAudit(session, entries)),
    run: {
      start: (tenantId) => inTenant(database, tenantId, (session) => startAuditRun(session, run, atMs)),
      stop: (tenantId) => inTenant(database, tenantId, (session) => stopAuditRun(session, run, atMs)),
    },
    maxEntries: 100,
    flushMs: 60_000,
    onLoss: (loss) => {
      throw loss.error;
    },
  });
}

async function kindsOf(tenantId: number): Promise<string[]> {
  const records = await readInTenant(database, tenantId, (session) => readAudit(session, { count: 50 }));
  return records.map(({ entry }) => `${entry.kind} ${entry.requestId}`).reverse();
}

test("after a clean end the next run begins without a word", async () => {
  const { tenantId } = await ensureTenant(database, "clean");
  for (const runId of ["run-1", "run-2"]) {
    const buffer = bufferOf({ process: "main", runId });
    await buffer.add(tenantId, read);
    await buffer.close();
  }
  const run = (id: string) => [`process-start ${id}`, "rest req-1", `process-stop ${id}`];
  expect(await kindsOf(tenantId)).toEqual([...run("run-1"), ...run("run-2")]);
  const checked = await readInTenant(database, tenantId, (session) => verifyAudit(session));
  expect(checked).toMatchObject({ ok: true, rows: 6 });
});

test("after a crash the next run says first which run was lost, once, and what that may have cost", async () => {
  const { tenantId } = await ensureTenant(database, "crashed");
  const crashing = bufferOf({ process: "main", runId: "run-1" });
  await crashing.add(tenantId, { ...read, requestId: "written" });
  await crashing.flush();
  await crashing.add(tenantId, { ...read, requestId: "never-written" });
  // Here the process is gone: nobody flushes or closes the first buffer.
  for (const runId of ["run-2", "run-3"]) {
    const buffer = bufferOf({ process: "main", runId });
    await buffer.add(tenantId, read);
    await buffer.close();
  }
  expect((await kindsOf(tenantId)).slice(0, 6)).toEqual([
    "process-start run-1",
    "rest written",
    "process-lost run-1",
    "process-start run-2",
    "rest req-1",
    "process-stop run-2",
  ]);
  expect((await kindsOf(tenantId)).filter((line) => line.startsWith("process-lost"))).toHaveLength(1);
  const records = await readInTenant(database, tenantId, (session) =>
    readAudit(session, { clientId: "process/main", count: 50 }),
  );
  const lost = records.find(({ entry }) => entry.kind === "process-lost");
  expect(lost?.entry).toMatchObject({ outcome: "8", reason: expect.stringContaining("2026-06-10T08:30:00.000Z") });
});

test("a run that is still going is not lost to another process, nor to another tenant", async () => {
  const [one, two] = [await ensureTenant(database, "one"), await ensureTenant(database, "two")];
  const start = (tenantId: number, run: AuditRun) =>
    inTenant(database, tenantId, (session) => startAuditRun(session, run, atMs));
  expect(await start(one.tenantId, { process: "a", runId: "run-1" })).toBe(false);
  expect(await start(one.tenantId, { process: "b", runId: "run-2" })).toBe(false);
  expect(await start(two.tenantId, { process: "a", runId: "run-1" })).toBe(false);
  expect(await start(one.tenantId, { process: "a", runId: "run-3" })).toBe(true);
});

test("what a client calls itself cannot stand for a run's mark", async () => {
  const { tenantId } = await ensureTenant(database, "named");
  const pretender: AuditEntry = { ...read, clientId: "process/main", kind: "rest" };
  await inTenant(database, tenantId, (session) => startAuditRun(session, { process: "main", runId: "run-1" }, atMs));
  await inTenant(database, tenantId, (session) => appendAudit(session, [pretender]));
  const next = { process: "main", runId: "run-2" };
  expect(await inTenant(database, tenantId, (session) => startAuditRun(session, next, atMs))).toBe(true);
});
