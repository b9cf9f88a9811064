import { afterAll, beforeAll, expect, test } from "vitest";
import { loadDemo } from "../../seed/load.ts";
import { rebuild } from "../../src/flows/rebuild.ts";
import { inTenant } from "../../src/store/database.ts";
import { type TestService, testService } from "../support/service.ts";

let here: TestService;

beforeAll(async () => {
  here = await testService("2026-04-10T09:00:00Z");
  await loadDemo(here.service, here.tenantId, { today: "2026-04-10" });
}, 120_000);

afterAll(() => here.close());

const derived = [
  "patient",
  "device",
  "device_identifier",
  "device_use",
  "therapy_session",
  "coverage",
  "device_alert",
  "clock_check",
  "patient_fact",
  "finding_task",
  "resource_string",
  "resource_date",
  "resource",
];

/** Every row of every derived table as text, in one order. */
async function everything(): Promise<Record<string, string[]>> {
  const found: Record<string, string[]> = {};
  await inTenant(here.database, here.tenantId, async (session) => {
    for (const table of derived) {
      const rows = await session.query<{ row: string }>(`select t::text as row from ${table} t order by 1`);
      found[table] = rows.map((one) => one.row);
    }
  });
  return found;
}

test("a rebuild gives the same rows as the writes did, in every derived table", async () => {
  const before = await everything();
  for (const table of derived) expect(before[table]?.length, table).toBeGreaterThan(0);
  const seen: string[] = [];
  await rebuild(here.service, ({ type }) => seen.push(type));
  const after = await everything();
  for (const table of derived) expect(after[table], table).toEqual(before[table]);
  expect(seen[0]).toBe("Patient");
}, 120_000);

test("a derived row that somebody has spoilt is right again after a rebuild", async () => {
  const before = await everything();
  await inTenant(here.database, here.tenantId, async (session) => {
    await session.query("update therapy_session set local_day = local_day + 1 where tenant_id = $1", [here.tenantId]);
    await session.query("update resource set terms = '{}' where tenant_id = $1 and type = 'Task'", [here.tenantId]);
    await session.query("delete from coverage where tenant_id = $1", [here.tenantId]);
  });
  expect(await everything()).not.toEqual(before);
  await rebuild(here.service, () => undefined);
  expect(await everything()).toEqual(before);
}, 120_000);
