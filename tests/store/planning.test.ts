import { afterAll, beforeAll, expect, test } from "vitest";
import { type Database, inTenant, openDatabase, readInTenant, type TenantSession } from "../../src/store/database.ts";
import { storedRecords } from "../../src/store/session.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { testDatabase } from "../support/database.ts";

let database: Database;
let drop: () => Promise<void>;
let tenantId: number;

beforeAll(async () => {
  const made = await testDatabase();
  drop = made.drop;
  database = openDatabase(made.connectionString, { poolSize: 1 });
  tenantId = (await ensureTenant(database, "here")).tenantId;
});

afterAll(async () => {
  await database.close();
  await drop();
});

const mode = "select current_setting('plan_cache_mode') as mode";

test.each([
  ["read", readInTenant],
  ["written", inTenant],
])("where something is %s, a statement is planned each time where it asks for that, and it alone", async (_, run) => {
  const modes = await run(database, tenantId, async (session) => {
    const asked = ["once", "each time", "once"] as const;
    const rows = await Promise.all(asked.map((plan) => session.query<{ mode: string }>(mode, [], plan)));
    return rows.map(([row]) => row?.mode);
  });
  expect(modes).toEqual(["force_generic_plan", "force_custom_plan", "force_generic_plan"]);
});

test("a statement that is planned each time and fails leaves the connection as it was", async () => {
  const failing = (session: TenantSession) => session.query("select 1 / $1::int", [0], "each time");
  for (const run of [readInTenant, inTenant]) {
    await expect(run(database, tenantId, failing)).rejects.toMatchObject({ code: "22012" }); // division_by_zero
    const [row] = await run(database, tenantId, (session) => session.query<{ mode: string }>(mode));
    expect(row?.mode).toBe("force_generic_plan");
  }
});

test("a lookup that was planned while there was nothing does not read all that came since", async () => {
  const fetched = `select (seq_tup_read + idx_tup_fetch)::int as rows from pg_stat_xact_user_tables
    where relname = 'therapy_session' and schemaname = current_schema()`;
  await inTenant(database, tenantId, async (session) => {
    expect(await storedRecords(session, ["s1"])).toEqual(new Map());
    await session.query(
      `insert into therapy_session (tenant_id, session_id, patient_id, device_id, started_at, ended_at, device_start, local_day,
         day_part, read_at, record_digest, test)
       select $1, 's' || i, 'p' || i % 50, 'd', now(), now(), '', '2026-01-01', 'morning', now(), '\\x00', false
       from generate_series(1, 3000) i`,
      [tenantId],
    );
    const [before] = await session.query<{ rows: number }>(fetched);
    expect([...(await storedRecords(session, ["s1", "s2999"])).keys()].sort()).toEqual(["s1", "s2999"]);
    const [after] = await session.query<{ rows: number }>(fetched);
    expect((after?.rows ?? 0) - (before?.rows ?? 0)).toBe(2);
  });
});
