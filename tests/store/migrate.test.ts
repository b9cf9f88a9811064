import { afterEach, expect, test } from "vitest";
import { migrate } from "../../src/store/migrate.ts";
import { emptyDatabase, onServer, type TestDatabase, testDatabase } from "../support/database.ts";

const databases: TestDatabase[] = [];

afterEach(async () => {
  for (const database of databases.splice(0)) await database.drop();
});

async function tablesOf(database: TestDatabase): Promise<string[]> {
  const answer = await onServer(database.connectionString, (client) =>
    client.query<{ name: string }>(
      `select format('%s.%s', schemaname, tablename) as name from pg_tables
       where schemaname not in ('pg_catalog', 'information_schema') order by 1`,
    ),
  );
  return answer.rows.map((row) => row.name);
}

async function runsOf(database: TestDatabase): Promise<number> {
  const answer = await onServer(database.connectionString, (client) =>
    client.query<{ runs: number }>("select count(*)::integer as runs from drizzle.__drizzle_migrations"),
  );
  return answer.rows[0]?.runs ?? Number.NaN;
}

test("processes that start together on an empty database migrate it once", async () => {
  const empty = await emptyDatabase();
  const reference = await testDatabase();
  databases.push(empty, reference);
  expect(await tablesOf(empty)).toEqual([]);
  await Promise.all([1, 2, 3, 4].map(() => migrate(empty.connectionString)));
  expect(await tablesOf(empty)).toEqual(await tablesOf(reference));
  expect(await tablesOf(empty)).toEqual(
    expect.arrayContaining(["public.resource", "public.tenant", "graphile_worker._private_jobs"]),
  );
  expect(await runsOf(empty)).toBe(await runsOf(reference));
});

test("a database that is up to date stays as it is", async () => {
  const database = await testDatabase();
  databases.push(database);
  const runs = await runsOf(database);
  expect(runs).toBeGreaterThan(0);
  await migrate(database.connectionString);
  expect(await runsOf(database)).toBe(runs);
});

test("every copy is a database of its own", async () => {
  const copies = await Promise.all([testDatabase(), testDatabase(), testDatabase()]);
  databases.push(...copies);
  const [first, ...others] = copies;
  await onServer(first.connectionString, (client) => client.query("insert into tenant (slug) values ('north')"));
  for (const other of others) {
    const found = await onServer(other.connectionString, (client) => client.query("select slug from tenant"));
    expect(found.rows).toEqual([]);
  }
});
