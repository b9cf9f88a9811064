import { afterAll, beforeAll, beforeEach, describe, expect, test } from "vitest";
import { prepareMonths } from "../../src/flows/jobs.ts";
import { appendAudit, verifyAudit } from "../../src/store/audit.ts";
import { type Database, inTenant, openDatabase, openOwnerDatabase } from "../../src/store/database.ts";
import { dropPartition, makePartitions, monthsOf, rowsAstray } from "../../src/store/partition.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { testDatabase } from "../support/database.ts";

let database: Database;
let owner: Database;
let drop: () => Promise<void>;
let tenantId: number;

beforeAll(async () => {
  const made = await testDatabase();
  drop = made.drop;
  database = openDatabase(made.connectionString);
  owner = openOwnerDatabase(made.connectionString);
});

afterAll(async () => {
  await owner.close();
  await database.close();
  await drop();
});

beforeEach(async () => {
  tenantId = (await ensureTenant(database, "test")).tenantId;
});

const now = new Date();
const monthStart = (months: number) => Date.UTC(now.getUTCFullYear(), now.getUTCMonth() + months, 1);
const tables = ["audit_entry", "received_content", "resource_version"] as const;

test.each(tables)(
  "%s: everything up to this month lies in one partition, and each of the three to come has its own",
  async (table) => {
    expect(await monthsOf(owner, table)).toEqual([
      { name: `${table}_first`, startMs: Number.NEGATIVE_INFINITY, endMs: monthStart(1) },
      ...[1, 2, 3].map((months) => ({
        name: `${table}_${new Date(monthStart(months)).toISOString().slice(0, 7).replace("-", "_")}`,
        startMs: monthStart(months),
        endMs: monthStart(months + 1),
      })),
    ]);
  },
);

test("the service itself can make what is missing, once, however many ask at a time; it cannot touch a partition", async () => {
  const last = (await monthsOf(owner, "resource_version")).at(-1);
  if (last === undefined) throw new Error("no partition");
  await dropPartition(owner, "resource_version", last);
  const made = await Promise.all([makePartitions(database), makePartitions(database), makePartitions(database)]);
  expect(made.sort()).toEqual([0, 0, 1]);
  expect((await monthsOf(owner, "resource_version")).at(-1)).toEqual(last);
  for (const name of ["resource_version_first", "resource_version_default", last.name]) {
    const tried = inTenant(database, tenantId, (session) => session.query(`select count(*) from ${name}`));
    await expect(tried).rejects.toMatchObject({ code: "42501" }); // insufficient_privilege: PostgreSQL manual, appendix A
  }
});

describe("rows of a month that has no partition", () => {
  test("are found and told of, and move into it when it is made; the chain holds", async () => {
    const told: unknown[] = [];
    const log = { info: () => undefined, warn: () => undefined, error: (one: unknown) => told.push(one) };
    await prepareMonths({ database, log });
    expect(told).toEqual([]);
    const at = monthStart(6) + 1;
    const entry = { clientId: "c", action: "R", kind: "rest", outcome: "0", route: "", requestId: "" } as const;
    await inTenant(database, tenantId, (session) =>
      appendAudit(session, [{ ...entry, atMs: at, patientIds: ["p"], entities: [] }]),
    );
    await prepareMonths({ database, log });
    expect(told).toEqual([{ table: "audit_entry", rows: 1 }]);
    await owner.pool.query("select make_partitions(6)");
    expect(await rowsAstray(database)).toEqual([]);
    const { rows } = await owner.pool.query("select tableoid::regclass::text as name from audit_entry");
    expect(rows).toEqual([{ name: `audit_entry_${new Date(at).toISOString().slice(0, 7).replace("-", "_")}` }]);
    expect(await inTenant(database, tenantId, (session) => verifyAudit(session))).toMatchObject({ ok: true, rows: 1 });
  });
});

describe("a month that somebody reads", () => {
  test("is dropped as soon as they are done; who comes meanwhile waits two seconds at most", async () => {
    const last = (await monthsOf(owner, "received_content")).at(-1);
    if (last === undefined) throw new Error("no partition");
    const reader = await owner.pool.connect();
    const second = openOwnerDatabase(owner.pool.options.connectionString ?? "");
    await reader.query("begin; select count(*) from received_content");
    const dropping = dropPartition(second, "received_content", last);
    await new Promise((resolve) => setTimeout(resolve, 2_300));
    await reader.query("commit");
    reader.release();
    await dropping;
    await second.close();
    expect((await monthsOf(owner, "received_content")).map(({ name }) => name)).not.toContain(last.name);
  });
});
