import { afterAll, beforeAll, expect, test } from "vitest";
import { type Database, inTenant, openDatabase } from "../../src/store/database.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { testDatabase } from "../support/database.ts";

let database: Database;
let drop: () => Promise<void>;

beforeAll(async () => {
  const made = await testDatabase();
  drop = made.drop;
  database = openDatabase(made.connectionString);
});

afterAll(async () => {
  await database.close();
  await drop();
});

interface TableRow {
  name: string;
  guarded: boolean;
  policies: number;
  permissive: number;
}

/** Every table that has a tenant, with whether row-level security is on and forced for its owner too. */
async function tenantTables(): Promise<TableRow[]> {
  const answer = await database.pool.query(
    `select c.relname as name, c.relrowsecurity and c.relforcerowsecurity as guarded,
       (select count(*)::int from pg_policy p where p.polrelid = c.oid and p.polname = 'tenant_only' and p.polpermissive
         and p.polcmd = '*') as policies,
       (select count(*)::int from pg_policy p where p.polrelid = c.oid and p.polpermissive) as permissive
     from pg_class c join pg_attribute a on a.attrelid = c.oid and a.attname = 'tenant_id'
     where c.relkind in ('r', 'p') and c.relname <> 'tenant' and c.relnamespace = current_schema()::regnamespace`,
  );
  return answer.rows as TableRow[];
}

test("every table with a tenant has a policy that binds its owner too", async () => {
  const tables = await tenantTables();
  expect(tables.length).toBeGreaterThan(10);
  expect(tables.filter((table) => !table.guarded || table.policies !== 1 || table.permissive !== 1)).toEqual([]);
});

test("every primary and unique key leads with the tenant", async () => {
  const answer = await database.pool.query(
    `select i.indexrelid::regclass::text as name from pg_index i join pg_class c on c.oid = i.indrelid
     join pg_attribute a on a.attrelid = i.indrelid and a.attnum = i.indkey[0]
     where i.indisunique and c.relnamespace = current_schema()::regnamespace and c.relname <> 'tenant'
       and c.relname not like '\\_\\_drizzle%' and a.attname <> 'tenant_id'`,
  );
  expect(answer.rows).toEqual([]);
});

test("the service works as a role that cannot bypass the policies", async () => {
  const answer = await database.pool.query(
    "select current_user as name, rolsuper, rolbypassrls from pg_roles where rolname = current_user",
  );
  expect(answer.rows).toEqual([{ name: "tidegate_service", rolsuper: false, rolbypassrls: false }]);
});

test("a row of another tenant cannot be written, not even by naming it", async () => {
  const [one, two] = [await ensureTenant(database, "one"), await ensureTenant(database, "two")];
  const write = inTenant(database, one.tenantId, (session) =>
    session.query("insert into device_identifier (tenant_id, identifier, device_id) values ($1, 'a', 'b')", [
      two.tenantId,
    ]),
  );
  await expect(write).rejects.toMatchObject({ code: "42501" });
});

test("without a tenant no row shows", async () => {
  const { tenantId } = await ensureTenant(database, "one");
  await inTenant(database, tenantId, (session) =>
    session.query("insert into device_identifier (tenant_id, identifier, device_id) values ($1, 'seen', 'b')", [
      tenantId,
    ]),
  );
  const answer = await database.pool.query("select count(*)::int as n from device_identifier");
  expect(answer.rows).toEqual([{ n: 0 }]);
});
