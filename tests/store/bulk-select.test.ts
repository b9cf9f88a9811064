import { afterAll, beforeAll, expect, test } from "vitest";
import { setSettings, settingsBinder } from "../../src/store/bulk-select.ts";
import { type Database, inTenant, openDatabase } from "../../src/store/database.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { type TestDatabase, testDatabase } from "../support/database.ts";

let made: TestDatabase;
let database: Database;
let tenantId: number;

beforeAll(async () => {
  made = await testDatabase();
  database = openDatabase(made.connectionString);
  tenantId = (await ensureTenant(database, "test")).tenantId;
});
afterAll(async () => {
  await database.close();
  await made.drop();
});

// OWASP, SQL injection prevention: a value never becomes part of a statement.
test("values that travel as settings come out as they went in, whatever they hold", async () => {
  const nasty = [
    "plain",
    "",
    "a,b",
    "{}",
    '"',
    "\\",
    "\\\"}',(",
    "'); drop table resource; --",
    "NULL",
    "ä€😀",
    "line\nbreak",
  ];
  const { binder, settings } = settingsBinder();
  const text = nasty.map((value) => binder.bind(value, "text"));
  const all = binder.bind(nasty, "text[]");
  const numbers = binder.bind(["1", "-9223372036854775808"], "bigint[]");
  for (const part of [...text, all, numbers])
    expect(part).toMatch(/^\(select current_setting\('tidegate\.v\d+'\)\)::[\w[\]]+$/);
  const rows = await inTenant(database, tenantId, async (session) => {
    await setSettings(session, settings);
    return session.query<{ one: string[]; all: string[]; numbers: string[] }>(
      `select array[${text.join(", ")}] as one, ${all} as all, ${numbers}::text[] as numbers`,
    );
  });
  expect(rows).toEqual([{ one: nasty, all: nasty, numbers: ["1", "-9223372036854775808"] }]);
});
