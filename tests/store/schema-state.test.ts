import { Client } from "pg";
import { afterEach, expect, test } from "vitest";
import { schemaIsCurrent } from "../../src/store/schema-state.ts";
import { emptyDatabase, onServer, type TestDatabase, testDatabase } from "../support/database.ts";

const databases: TestDatabase[] = [];

afterEach(async () => {
  for (const database of databases.splice(0)) await database.drop();
});

async function isCurrent(database: TestDatabase, after?: string): Promise<boolean> {
  return onServer(database.connectionString, async (client: Client) => {
    if (after !== undefined) await client.query(after);
    return schemaIsCurrent(client);
  });
}

async function opened(making: Promise<TestDatabase>): Promise<TestDatabase> {
  const database = await making;
  databases.push(database);
  return database;
}

test("a migrated database is current, an empty one is not", async () => {
  expect(await isCurrent(await opened(testDatabase()))).toBe(true);
  expect(await isCurrent(await opened(emptyDatabase()))).toBe(false);
});

test.each([
  [
    "the last migration of ours is missing",
    "delete from drizzle.__drizzle_migrations where id = (select max(id) from drizzle.__drizzle_migrations)",
  ],
  [
    "the job library's last one is missing",
    "delete from graphile_worker.migrations where id = (select max(id) from graphile_worker.migrations)",
  ],
  ["the job library is ahead of ours", "insert into graphile_worker.migrations (id) values (999)"],
  ["nothing of ours was run", "delete from drizzle.__drizzle_migrations"],
  ["the job library's schema is gone", "drop schema graphile_worker cascade"],
])("it is not current where %s", async (_name, statement) => {
  expect(await isCurrent(await opened(testDatabase()), statement)).toBe(false);
});

test("an error that is no missing table is thrown", async () => {
  const database = await opened(testDatabase());
  const client = new Client({ connectionString: database.connectionString });
  await client.connect();
  await client.end();
  await expect(schemaIsCurrent(client)).rejects.toThrow();
});
