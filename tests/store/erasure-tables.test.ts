import { afterAll, beforeAll, expect, test } from "vitest";
import { type Database, inTenant, openDatabase } from "../../src/store/database.ts";
import { deletedRows, keptRows, tenantTables, unhandledTables } from "../../src/store/erasure-tables.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { onServer, testDatabase } from "../support/database.ts";

let database: Database;
let tenantId: number;
let connectionString: string;
let drop: () => Promise<void>;

beforeAll(async () => {
  ({ connectionString, drop } = await testDatabase());
  database = openDatabase(connectionString);
  ({ tenantId } = await ensureTenant(database, "test"));
});

afterAll(async () => {
  await database.close();
  await drop();
});

const catalogue = () => inTenant(database, tenantId, tenantTables);
const deleted = deletedRows.map(({ table }) => table);

test("of every table with a tenant somebody has said what an erasure does with it", async () => {
  expect((await catalogue()).length).toBeGreaterThan(20);
  expect(await inTenant(database, tenantId, unhandledTables)).toEqual([]);
});

test("rows that name a patient are deleted, but for the audit trail and for clients, which are disabled", async () => {
  const naming = (await catalogue()).filter(({ namesPatients }) => namesPatients).map(({ name }) => name);
  expect(naming).toContain("therapy_session");
  expect(naming.filter((name) => !deleted.includes(name)).sort()).toEqual(["audit_entry", "client"]);
});

test("no table is named that is not there, and none twice", async () => {
  const named = [...deleted, ...Object.keys(keptRows)];
  const there = (await catalogue()).map(({ name }) => name);
  expect(named.filter((name) => !there.includes(name))).toEqual([]);
  expect(new Set(named).size).toBe(named.length);
});

test("a planted table is caught", async () => {
  await onServer(connectionString, (client) =>
    client.query("create table planted (tenant_id integer not null, patient_id text)"),
  );
  expect(await inTenant(database, tenantId, unhandledTables)).toEqual(["planted"]);
});
