import { afterAll, beforeAll, expect, test } from "vitest";
import { readPastRecord, readPastSessionStarts } from "../../src/store/as-of.ts";
import { readAudit } from "../../src/store/audit.ts";
import { lastOfMonth } from "../../src/store/audit-removal.ts";
import {
  type Database,
  inTenant,
  openDatabase,
  openOwnerDatabase,
  readInTenant,
  type TenantSession,
} from "../../src/store/database.ts";
import { countHistory } from "../../src/store/history.ts";
import { type AgedTable, monthsOf } from "../../src/store/partition.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { keepUpload, readUploadBytes } from "../../src/store/upload.ts";
import { onServer, testDatabase } from "../support/database.ts";

/** Months ahead that the database has partitions for: what is asked lies in them as if they were the past. */
const months = 24;

let database: Database;
let owner: Database;
let drop: () => Promise<void>;
let tenantId: number;

beforeAll(async () => {
  const made = await testDatabase();
  drop = made.drop;
  await onServer(made.connectionString, (client) => client.query(`select make_partitions(${months})`));
  database = openDatabase(made.connectionString);
  owner = openOwnerDatabase(made.connectionString);
  ({ tenantId } = await ensureTenant(database, "test"));
});

afterAll(async () => {
  await owner.close();
  await database.close();
  await drop();
});

const now = new Date();
const inMonth = (ahead: number, day = 15) => Date.UTC(now.getUTCFullYear(), now.getUTCMonth() + ahead, day);
const month = (ahead: number) => ({ name: "", startMs: inMonth(ahead, 1), endMs: inMonth(ahead + 1, 1) });

/** How many months of a table the last statement of a deed looks at, of those that it has. */
async function monthsAsked(table: AgedTable, deed: (session: TenantSession) => Promise<unknown>): Promise<number> {
  return readInTenant(database, tenantId, async (session) => {
    const asked: [text: string, values: readonly unknown[]][] = [];
    const listening: TenantSession = {
      ...session,
      query: async (text, values = []) => {
        asked.push([text, values]);
        return [];
      },
    };
    await deed(listening);
    const [text, values] = asked.filter(([one]) => !one.startsWith("set local")).at(-1) ?? ["", []];
    const plan = await session.query<{ "QUERY PLAN": string }>(`explain ${text}`, values);
    const named = plan.flatMap(
      (line) => line["QUERY PLAN"].match(new RegExp(`\\b${table}_(\\d{4}_\\d{2}|first)\\b`, "g")) ?? [],
    );
    expect(plan.length).toBeGreaterThan(0);
    return new Set(named).size;
  });
}

const condition = { type: "Condition", id: "c" };

test("there are many months", async () => {
  expect(await monthsOf(owner, "resource_version")).toHaveLength(months + 1);
});

test("a history since a moment looks at no month before it", async () => {
  const wanted = { scope: condition, sinceMs: inMonth(months - 2) };
  expect(await monthsAsked("resource_version", (session) => countHistory(session, wanted, 100))).toBe(3);
  const all = { scope: condition };
  expect(await monthsAsked("resource_version", (session) => countHistory(session, all, 100))).toBe(months + 1);
});

test("a look back looks at no month before the day", async () => {
  const [asOfMs, sessionsFromMs] = [inMonth(months - 3), inMonth(months - 4)];
  expect(
    await monthsAsked("resource_version", (session) => readPastRecord(session, "p", { asOfMs, sessionsFromMs })),
  ).toBe(4);
  expect(await monthsAsked("resource_version", (session) => readPastSessionStarts(session, "p", [], asOfMs))).toBe(4);
});

test("the trail of one month is read in that month", async () => {
  const question = { patientId: "p", fromMs: inMonth(5, 1), untilMs: inMonth(6, 1), count: 20 };
  expect(await monthsAsked("audit_entry", (session) => readAudit(session, question))).toBe(1);
  expect(await monthsAsked("audit_entry", (session) => lastOfMonth(session, month(5)))).toBe(1);
});

test("the content of an upload is looked for in the month it came in and among what is kept", async () => {
  const content = {
    contentType: "text/csv",
    contentEncoding: "identity",
    sha256: Buffer.alloc(32),
    bytes: Buffer.from("x"),
  };
  const nowMs = inMonth(7);
  await inTenant(database, tenantId, (session) => keepUpload(session, { uploadId: "u", nowMs, ...content }));
  const asked: [text: string, values: readonly unknown[]][] = [];
  const plan = await readInTenant(database, tenantId, async (session) => {
    const listening: TenantSession = {
      ...session,
      query: async (text, values = []) => {
        asked.push([text, values]);
        return [];
      },
    };
    await readUploadBytes(listening, "u");
    const [text, values] = asked[0] ?? ["", []];
    return session.query<{ "QUERY PLAN": string }>(`explain (analyze, costs off) ${text}`, values);
  });
  const scans = plan.map((line) => line["QUERY PLAN"]).filter((line) => / on received_content_\w+/.test(line));
  const names = scans.map((line) => / on (received_content_\w+)/.exec(line)?.[1]);
  const [filed] = await monthsWith(nowMs);
  // Where what is kept would be looked at next, if the month did not have it.
  const opened = names.filter((_, n) => !scans[n]?.includes("never executed"));
  expect(opened).toEqual([filed]);
});

async function monthsWith(atMs: number): Promise<string[]> {
  const all = await monthsOf(owner, "received_content");
  return all.filter(({ startMs, endMs }) => startMs <= atMs && atMs < endMs).map(({ name }) => name);
}
