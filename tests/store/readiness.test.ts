import { afterAll, beforeAll, expect, test } from "vitest";
import { openDatabase, openOwnerDatabase } from "../../src/store/database.ts";
import { isReadyFor, readiness } from "../../src/store/readiness.ts";
import { onServer } from "../support/database.ts";
import { type TestService, testService } from "../support/service.ts";

let here: TestService;

beforeAll(async () => {
  here = await testService("2026-04-10T09:00:00Z");
});

afterAll(() => here.close());

test("a migrated database that takes writes, under the role that row-level security binds, is ready", async () => {
  const checks = await readiness(here.database);
  expect(checks).toEqual({ database: true, writable: true, role: true, schema: true });
  expect(isReadyFor(checks)).toBe(true);
});

test("a database that is set to read only, or fails over to a standby, is not", async () => {
  const url = new URL(here.connectionString);
  const name = url.pathname.slice(1);
  await onServer(here.connectionString, (client) =>
    client.query(`alter database "${name}" set default_transaction_read_only = on`),
  );
  const standing = openDatabase(here.connectionString);
  const checks = await readiness(standing);
  await standing.close();
  await onServer(here.connectionString, (client) =>
    client.query(`set transaction_read_only = off; alter database "${name}" reset default_transaction_read_only`),
  );
  expect(checks).toMatchObject({ database: true, writable: false });
  expect(isReadyFor(checks)).toBe(false);
});

test("a role beyond row-level security is not", async () => {
  const owner = openOwnerDatabase(here.connectionString);
  const { role } = await readiness(owner);
  await owner.close();
  const isSuper = await onServer(here.connectionString, (client) =>
    client.query<{ is: boolean }>("select rolsuper as is from pg_roles where rolname = current_user"),
  );
  expect(role).toBe(!isSuper.rows[0]?.is);
});

test("an older schema is not, and neither is a database that does not answer", async () => {
  const moved = (by: string) =>
    onServer(here.connectionString, (client) =>
      client.query(`update drizzle.__drizzle_migrations set created_at = created_at ${by}
        where created_at = (select max(created_at) from drizzle.__drizzle_migrations)`),
    );
  await moved("- 1");
  expect(await readiness(here.database)).toEqual({ database: true, writable: true, role: true, schema: false });
  await moved("+ 2");
  // A newer one is: processes of two versions work side by side while one takes the other's place.
  expect((await readiness(here.database)).schema).toBe(true);
  await onServer(here.connectionString, (client) => client.query("drop function schema_version()"));
  expect(await readiness(here.database)).toMatchObject({ database: true, schema: false });
  const away = openDatabase("postgres://nobody@127.0.0.1:1/none");
  expect(isReadyFor(await readiness(away))).toBe(false);
  await away.close();
});
