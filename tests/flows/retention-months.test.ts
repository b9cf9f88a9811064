import { beforeEach, describe, expect, test } from "vitest";
import type { AuditEntry } from "../../src/fhir/audit-event.ts";
import { applyRetention } from "../../src/flows/apply-retention.ts";
import type { RetentionProgress, RetentionRun } from "../../src/flows/retention-run.ts";
import { uploadBytes, uploads } from "../../src/flows/uploads.ts";
import { appendAudit, readAudit, verifyAudit } from "../../src/store/audit.ts";
import { type Database, inTenant, openOwnerDatabase, readInTenant } from "../../src/store/database.ts";
import { type AgedTable, monthsOf } from "../../src/store/partition.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { onServer } from "../support/database.ts";
import { personWithMachine } from "../support/half-user.ts";
import { put, type TestService, testService } from "../support/service.ts";
import { send } from "./erasure-world.ts";

const dayMs = 86_400_000;

/** Noon of a day so many months from now: partitions are made from the real clock on. */
function inMonth(months: number, day: number): number {
  const now = new Date();
  return Date.UTC(now.getUTCFullYear(), now.getUTCMonth() + months, day, 12);
}

let here: TestService;
let owner: Database;

beforeEach(async () => {
  here = await testService(new Date(inMonth(1, 5)).toISOString());
  owner = openOwnerDatabase(here.connectionString);
  await onServer(here.connectionString, (client) => client.query("select make_partitions(8)"));
  return async () => {
    await owner.close();
    await here.close();
  };
}, 60_000);

async function apply(
  rules: Partial<Parameters<typeof applyRetention>[2]>,
  mode: RetentionRun["mode"] = "apply",
): Promise<RetentionProgress[]> {
  const told: RetentionProgress[] = [];
  const all = { uploadDays: 0, versionDays: 0, auditDays: 0, ...rules };
  await applyRetention(here.service, owner, all, { mode, onProgress: (one) => told.push(one) });
  return told;
}

const monthsLeft = async (table: AgedTable) => (await monthsOf(owner, table)).length;

/** So many days from the clock back into a month, `day` of it being kept and the day before not. */
const daysSince = (ms: number) => Math.floor((here.clock.at - ms) / dayMs);

describe("replaced versions", () => {
  const condition = (text: string) => ({
    resourceType: "Condition",
    id: "c",
    subject: { reference: "Patient/a" },
    code: { text },
  });
  const versions = async () => {
    const { rows } = await owner.pool.query(
      `select substring(body from '"text":"(\\w+)"') as text from resource_version where body like '%Condition%' order by version`,
    );
    return rows.map((row) => (row as { text: string }).text);
  };

  beforeEach(async () => {
    await put(here, { resourceType: "Patient", id: "a" }, condition("made"));
    for (const [text, month, day] of [
      ["first", 1, 20],
      ["second", 2, 5],
      ["third", 2, 25],
      ["now", 4, 1],
    ] as const) {
      here.clock.at = inMonth(month, day);
      await put(here, condition(text));
    }
    here.clock.at = inMonth(6, 1);
  });

  test("go with their month where all of it is over, and one by one in the month the limit lies in", async () => {
    const before = await monthsLeft("resource_version");
    const told = await apply({ versionDays: daysSince(inMonth(2, 15)) });
    expect(told.map(({ rows }) => rows)).toEqual([1, 1]);
    expect(await versions()).toEqual(["second", "third"]);
    expect(await monthsLeft("resource_version")).toBe(before - 2);
  });

  test("are counted by a trial, which drops nothing", async () => {
    const before = await monthsLeft("resource_version");
    const told = await apply({ versionDays: daysSince(inMonth(2, 15)) }, "trial");
    expect(told.map(({ rows }) => rows)).toEqual([1, 1]);
    expect(await monthsLeft("resource_version")).toBe(before);
    expect(await versions()).toEqual(["made", "first", "second", "third"]);
  });
});

describe("contents of uploads", () => {
  const record = (serialNumber: string, day: string) => ({
    format: "tidegate-use-record",
    version: 1,
    device: { serialNumber },
    readAt: `${day}T09:00:00Z`,
    sessions: [{ start: `${day}T08:00:00Z`, end: `${day}T08:10:00Z` }],
  });

  test("go with their month; what was refused is filed elsewhere first, and goes once it was taken in", async () => {
    await personWithMachine(here, "a");
    await send(here, record("s-a", "2026-05-01"));
    await send(here, record("unknown", "2026-05-02"));
    here.clock.at = inMonth(4, 1);
    await apply({ uploadDays: 30 });
    const answers = async () => {
      const all = await uploads(here.service, here.tenantId, { count: 10 });
      const read = all.map(async ({ uploadId, status }) => {
        const found = await uploadBytes(here.service, here.tenantId, uploadId);
        return [status, found.ok ? JSON.parse(found.value.bytes.toString()).readAt : found.refusals[0]?.status];
      });
      return (await Promise.all(read)).sort();
    };
    expect(await answers()).toEqual([
      ["accepted", 410],
      ["refused", "2026-05-02T09:00:00Z"],
    ]);
    const { rows } = await owner.pool.query("select tableoid::regclass::text as name from received_content");
    expect(rows).toEqual([{ name: "received_content_kept" }]);

    await owner.pool.query("update received_upload set status = 'accepted'");
    expect((await apply({ uploadDays: 30 })).map(({ rows: count }) => count)).toEqual([1]);
    expect((await answers()).map(([, answer]) => answer)).toEqual([410, 410]);
    expect((await owner.pool.query("select 1 from received_content")).rows).toEqual([]);
  });
});

describe("the audit trail", () => {
  const entry = (atMs: number): AuditEntry => ({
    atMs,
    clientId: "ward-app",
    action: "R",
    kind: "rest",
    outcome: "0",
    route: "/fhir/:type/:id",
    requestId: "r",
    patientIds: ["p1"],
    entities: [],
  });
  const append = (tenantId: number, ...times: number[]) =>
    inTenant(here.database, tenantId, (session) => appendAudit(session, times.map(entry)));
  const verify = (tenantId: number, noted?: Parameters<typeof verifyAudit>[2]) =>
    readInTenant(here.database, tenantId, (session) => verifyAudit(session, 1, noted));

  test("goes by whole months; what is left is whole, and says what went", async () => {
    const other = (await ensureTenant(here.database, "other")).tenantId;
    // 3 was done in the next month and chained between two of this one: clocks of processes differ by moments.
    await append(here.tenantId, inMonth(1, 5), inMonth(1, 6), inMonth(2, 1), inMonth(1, 28), inMonth(2, 2));
    await append(other, inMonth(2, 3));
    const noted = await verify(here.tenantId);
    if (!noted.ok) throw new Error("the trail is broken");
    here.clock.at = inMonth(4, 1);
    expect(await apply({ auditDays: daysSince(inMonth(2, 2)) })).toEqual([{ tenant: "test", rule: "audit", rows: 3 }]);
    // 5, which hangs on 4, and the entry that says so.
    expect(await verify(here.tenantId, noted.head)).toMatchObject({
      ok: true,
      rows: 2,
      removedThrough: 4,
      head: { sequence: 6 },
    });
    expect(await verify(other)).toMatchObject({ ok: true, rows: 1 });
    await append(here.tenantId, inMonth(4, 1));
    expect(await verify(here.tenantId)).toMatchObject({ ok: true, rows: 3 });
    const left = await readInTenant(here.database, here.tenantId, (session) => readAudit(session, { count: 10 }));
    expect(left.map(({ sequence }) => sequence)).toEqual([7, 6, 5, 3]);
    expect(left[1]?.entry.reason).toMatch(/^Removed: 3 entries, the audit trail up to 4:[\da-f]{64}, kept \d+ days$/);

    // The second month as well: the chain of the other tenant is empty but for what says so.
    here.clock.at = inMonth(5, 1);
    await apply({ auditDays: daysSince(inMonth(3, 2)) });
    expect(await verify(here.tenantId)).toMatchObject({ ok: true, removedThrough: 5 });
    expect(await verify(other)).toMatchObject({ ok: true, rows: 1, removedThrough: 1, head: { sequence: 2 } });
  });

  test("a beginning taken away without a word, or with a forged one, is found", async () => {
    await append(here.tenantId, inMonth(1, 5), inMonth(2, 1), inMonth(2, 2));
    await owner.pool.query(
      `insert into audit_removal select tenant_id, sequence, hash, at from audit_entry where sequence = 1`,
    );
    await owner.pool.query("delete from audit_entry where sequence = 1");
    const fault = "removed without an entry that says so";
    expect(await verify(here.tenantId)).toEqual({ ok: false, sequence: 1, fault });
    here.clock.at = inMonth(4, 1);
    await apply({ auditDays: daysSince(inMonth(2, 2)) });
    await owner.pool.query("update audit_removal set hash = sha256('x')");
    expect(await verify(here.tenantId)).toMatchObject({ ok: false });
  });

  test("a straggler that was changed is found, though its neighbours are gone", async () => {
    await append(here.tenantId, inMonth(2, 1), inMonth(1, 28), inMonth(2, 2));
    here.clock.at = inMonth(4, 1);
    await apply({ auditDays: daysSince(inMonth(2, 2)) });
    expect(await verify(here.tenantId)).toMatchObject({ ok: true, removedThrough: 2 });
    await owner.pool.query("update audit_entry set outcome = '8' where sequence = 1");
    expect(await verify(here.tenantId)).toEqual({ ok: false, sequence: 1, fault: "hash differs" });
  });
});
