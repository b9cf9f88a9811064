import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { type Database, openDatabase } from "../../src/store/database.ts";
import { testDatabase } from "../support/database.ts";

/** What docs/scaling.md promises whoever shards the database by tenant, read from the catalogue. */
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

async function names(query: string): Promise<string[]> {
  const { rows } = await database.pool.query(query);
  return rows.map((row) => (row as { name: string }).name);
}

const ours = "c.relnamespace = current_schema()::regnamespace and c.relkind in ('r', 'p')";
const tenants = `exists (select from pg_attribute a where a.attrelid = c.oid and a.attname = 'tenant_id' and not a.attisdropped)`;

describe("a database that is sharded by tenant", () => {
  test("every table names its tenant, but the list of tenants", async () => {
    expect(await names(`select c.relname as name from pg_class c where ${ours} and not ${tenants}`)).toEqual([]);
    const keys = await names(
      `select a.attname as name from pg_index i join pg_attribute a on a.attrelid = i.indrelid and a.attnum = i.indkey[0]
       where i.indisprimary and i.indrelid = 'tenant'::regclass`,
    );
    expect(keys).toEqual(["tenant_id"]);
  });

  test("every table has a primary key, those that hold index values and may repeat left out", async () => {
    const without = `select c.relname as name from pg_class c where ${ours}
      and not exists (select from pg_index i where i.indrelid = c.oid and i.indisprimary) order by 1`;
    expect(await names(without)).toEqual(["resource_date", "resource_string"]);
  });

  test("every primary and unique key leads with the tenant, those of partitions too", async () => {
    const keys = `from pg_index i join pg_class c on c.oid = i.indrelid
      join pg_attribute a on a.attrelid = i.indrelid and a.attnum = i.indkey[0]
      where i.indisunique and c.relname <> 'tenant' and ${ours}`;
    expect((await names(`select i.indexrelid::regclass::text as name ${keys}`)).length).toBeGreaterThan(40);
    expect(await names(`select i.indexrelid::regclass::text as name ${keys} and c.relispartition`)).not.toEqual([]);
    expect(await names(`select i.indexrelid::regclass::text as name ${keys} and a.attname <> 'tenant_id'`)).toEqual([]);
  });

  test("every constraint that makes a key names the tenant first, and none points to another table", async () => {
    const constraints = `from pg_constraint k join pg_class c on c.oid = k.conrelid
      join pg_attribute a on a.attrelid = c.oid and a.attnum = k.conkey[1] where c.relname <> 'tenant' and ${ours}`;
    expect(
      await names(`select k.conname as name ${constraints} and k.contype in ('p', 'u') and a.attname <> 'tenant_id'`),
    ).toEqual([]);
    expect(await names(`select k.conname as name ${constraints} and k.contype in ('f', 'x')`)).toEqual([]);
  });

  test("every table shows a statement one tenant's rows alone, whatever it joins", async () => {
    const open = `select c.relname as name from pg_class c where ${ours} and ${tenants} and c.relname <> 'tenant'
      and not exists (select from pg_policy p where p.polrelid = c.oid and p.polname = 'tenant_only' and p.polpermissive
        and pg_get_expr(p.polqual, p.polrelid) like '(tenant_id = %')`;
    expect(await names(open)).toEqual([]);
  });
});

test("partitions are of the three tables that are dropped by age, and each has a partition for what has none", async () => {
  const parents = await names(`select c.relname as name from pg_class c where c.relkind = 'p' order by 1`);
  expect(parents).toEqual(["audit_entry", "received_content", "resource_version"]);
  const defaults = await names(
    `select c.relname as name from pg_class c where c.relispartition and pg_get_expr(c.relpartbound, c.oid) = 'DEFAULT' and c.relkind = 'r' order by 1`,
  );
  expect(defaults).toEqual(parents.map((parent) => `${parent}_default`));
});
