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
  await rebuild(here.service, { onProgress: ({ type }) => seen.push(type) });
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
  await rebuild(here.service, { onProgress: () => undefined });
  expect(await everything()).toEqual(before);
}, 120_000);

test("one that is interrupted keeps what it did, and the next goes on there, and no further than to the end", async () => {
  const before = await everything();
  const spoil = (table: string) =>
    inTenant(here.database, here.tenantId, (session) =>
      session.query(`delete from ${table} where tenant_id = $1`, [here.tenantId]),
    );
  for (const table of ["patient", "therapy_session", "resource_date"]) await spoil(table);
  const batchSize = 40;
  let batches = 0;
  const interrupted = rebuild(here.service, {
    batchSize,
    onProgress: () => {
      batches += 1;
      if (batches === 3) throw new Error("pulled the plug");
    },
  });
  await expect(interrupted).rejects.toThrow("pulled the plug");
  const half = await everything();
  expect(half.patient).toEqual(before.patient);
  expect(half).not.toEqual(before);
  const seen: number[] = [];
  let total = 0;
  await rebuild(here.service, {
    batchSize,
    onProgress: (progress) => {
      seen.push(progress.done);
      total = progress.total;
      expect(progress.rate).toBeGreaterThan(0);
    },
  });
  expect(await everything()).toEqual(before);
  // Not from the beginning: the first three batches were done.
  expect(seen[0]).toBeGreaterThan(3);
  expect(seen.at(-1)).toBe(total);
  expect(seen.length).toBeLessThan(Math.ceil(total / batchSize) + 40);
  const places = await inTenant(here.database, here.tenantId, (session) =>
    session.query("select 1 from rebuild_place where $1::int is not null", [here.tenantId]),
  );
  expect(places).toEqual([]);
}, 120_000);

test("two at once share the work, and a row that no resource states goes", async () => {
  const before = await everything();
  await inTenant(here.database, here.tenantId, async (session) => {
    await session.query(
      "insert into resource_date select $1, 1, now(), now(), 'Observation', 'nobody' from generate_series(1, 3)",
      [here.tenantId],
    );
    await session.query("update resource set terms = '{}' where tenant_id = $1", [here.tenantId]);
  });
  const shares = [0, 0];
  await Promise.allSettled(
    shares.map((_, n) =>
      rebuild(here.service, {
        batchSize: 100,
        onProgress: () => {
          shares[n] = (shares[n] ?? 0) + 1;
        },
      }),
    ),
  );
  expect(await everything()).toEqual(before);
  expect(Math.min(...shares)).toBeGreaterThan(0);
}, 120_000);
