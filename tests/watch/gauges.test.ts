import { afterEach, beforeEach, expect, test } from "vitest";
import { type Database, inTenant, openDatabase } from "../../src/store/database.ts";
import { queueReviews } from "../../src/store/facts.ts";
import { readiness } from "../../src/store/readiness.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { openGauges } from "../../src/watch/gauges.ts";
import { openMetrics } from "../../src/watch/metrics.ts";
import { onServer } from "../support/database.ts";
import { sampleOf } from "../support/exposition.ts";
import { type TestService, testService } from "../support/service.ts";

let here: TestService;

beforeEach(async () => {
  here = await testService("2026-04-10T09:00:00Z");
});

afterEach(() => here.close());

/** Numbers as one scrape after the other tells them. */
function scraping(database: Database, replicaLagMs?: () => number | undefined) {
  const metrics = openMetrics();
  const gauges = openGauges(metrics, {
    database,
    softwareVersion: "9.9.9",
    auditWaiting: () => 7,
    ...(replicaLagMs === undefined ? {} : { replicaLagMs }),
    readiness: () => readiness(database),
  });
  return {
    close: gauges.close,
    scrape: async () => {
      await gauges.refresh();
      return metrics.text();
    },
  };
}

test("jobs of all tenants are told together by kind and state, and how long the oldest that is due has waited", async () => {
  const other = await ensureTenant(here.database, "north");
  await inTenant(here.database, here.tenantId, async (session) => queueReviews(session, ["ada", "ben"]));
  await inTenant(here.database, other.tenantId, async (session) => queueReviews(session, ["cleo", "dora"]));
  await onServer(here.connectionString, async (client) => {
    const jobs = "graphile_worker._private_jobs";
    await client.query(`update ${jobs} set run_at = now() - interval '90 s' where key like '%ada'`);
    await client.query(`update ${jobs} set attempts = max_attempts where key like '%ben'`);
    await client.query(`update ${jobs} set run_at = now() + interval '1 h' where key like '%dora'`);
  });
  const { scrape, close } = scraping(here.database);
  const text = await scrape();
  close();
  for (const [state, number] of [
    ["waiting", 2],
    ["failed", 1],
    ["later", 1],
  ] as const)
    expect(sampleOf(text, "tidegate_jobs", { kind: "review-patient", state }), state).toBe(number);
  expect(sampleOf(text, "tidegate_jobs_oldest_wait_seconds", { kind: "review-patient" })).toBeGreaterThanOrEqual(89);
  expect(text).not.toMatch(/north|ada|ben/);
});

test("entries that wait for the trail, refused uploads and messages are told, and what the process itself holds", async () => {
  await inTenant(here.database, here.tenantId, async (session) => {
    await session.query("insert into audit_pending (tenant_id, entry) values ($1, '{}')", [session.tenantId]);
    const upload = `insert into received_upload (tenant_id, upload_id, received_at, last_tried_at, attempts, content_type,
      content_encoding, sha256, size_bytes, status, report)
      values ($1, $2, now(), now(), 1, 'application/json', '', '\\x00', 1, $3, '{}')`;
    for (const [id, status] of [
      ["u1", "refused"],
      ["u2", "accepted"],
      ["u3", "partly-refused"],
      ["m1", "refused"],
    ])
      await session.query(upload, [session.tenantId, id, status]);
    await session.query(
      `insert into received_message (tenant_id, message_id, received_at, sender, control_id, client_id, message_code,
         trigger_event, answers, patient_ids) values ($1, 'm1', now(), 's', 'c', 'x', 'ADT', 'A01', '{}', '{}')`,
      [session.tenantId],
    );
  });
  const { scrape, close } = scraping(here.database);
  const text = await scrape();
  close();
  expect(sampleOf(text, "tidegate_audit_noted_entries")).toBe(1);
  expect(sampleOf(text, "tidegate_audit_buffer_entries")).toBe(7);
  expect(sampleOf(text, "tidegate_uploads", { status: "refused" })).toBe(1);
  expect(sampleOf(text, "tidegate_uploads", { status: "partly-refused" })).toBe(1);
  expect(sampleOf(text, "tidegate_messages", { status: "refused" })).toBe(1);
  expect(sampleOf(text, "tidegate_build", { version: "9.9.9" })).toBe(1);
  expect(sampleOf(text, "tidegate_memory_bytes", { area: "resident" })).toBeGreaterThan(1e7);
  expect(sampleOf(text, "tidegate_database_connections", { pool: "write", state: "waited for" })).toBe(0);
  for (const check of ["database", "writable", "role", "schema"])
    expect(sampleOf(text, "tidegate_ready", { check }), check).toBe(1);
});

test("what Subscriptions wait for is told, and since when, but not of those that are off", async () => {
  await inTenant(here.database, here.tenantId, async (session) => {
    const state = `insert into subscription_state (tenant_id, subscription_id, client_id, scopes, state, secret, headers, events,
      delivered, read_to, try_at, claimed_until) values ($1, $2, 'c', '', $3, '\\x00', '', 5, 3, 0, now(), now())`;
    for (const [id, is] of [
      ["s1", "active"],
      ["s2", "off"],
    ])
      await session.query(state, [session.tenantId, id, is]);
    const event = `insert into subscription_event (tenant_id, subscription_id, number, at, type, id, version, action)
      values ($1, 's1', $2::int, now() - make_interval(secs => $3::int), 'Task', 't', 1, 'update')`;
    for (const [number, seconds] of [
      [3, 900],
      [4, 120],
      [5, 60],
    ])
      await session.query(event, [session.tenantId, number, seconds]);
  });
  const { scrape, close } = scraping(here.database);
  const text = await scrape();
  close();
  expect(sampleOf(text, "tidegate_subscriptions", { state: "off" })).toBe(1);
  expect(sampleOf(text, "tidegate_notifications_waiting")).toBe(2);
  const oldest = sampleOf(text, "tidegate_notifications_oldest_wait_seconds") ?? 0;
  expect([oldest >= 119, oldest < 200]).toEqual([true, true]);
});

test("several who scrape at once, and again soon, cost one question to the database", async () => {
  let asked = 0;
  const query = here.database.pool.query.bind(here.database.pool) as (...args: unknown[]) => unknown;
  const pool = Object.create(here.database.pool, {
    query: {
      value: (text: string, ...rest: unknown[]) => {
        if (text.includes("house_counts()")) asked += 1;
        return query(text, ...rest);
      },
    },
  }) as Database["pool"];
  const { scrape, close } = scraping({ ...here.database, pool });
  await Promise.all([scrape(), scrape(), scrape()]);
  await scrape();
  close();
  expect(asked).toBe(1);
});

test("while the database is away the process still tells its own numbers, and that those of the database could not be read", async () => {
  const away = openDatabase("postgres://nobody@127.0.0.1:1/none");
  const { scrape, close } = scraping(away);
  const text = await scrape();
  close();
  expect(sampleOf(text, "tidegate_counts_failed_total")).toBe(1);
  expect(sampleOf(text, "tidegate_ready", { check: "database" })).toBe(0);
  expect(sampleOf(text, "tidegate_event_loop_lag_seconds", { quantile: "0.99" })).toBeGreaterThanOrEqual(0);
  await away.close();
});

test("the age of a replica is told while it is in use, and is absent while it is left out", async () => {
  let lag: number | undefined = 1_500;
  const { scrape, close } = scraping(here.database, () => lag);
  expect(sampleOf(await scrape(), "tidegate_replica_lag_seconds")).toBe(1.5);
  lag = undefined;
  const text = await scrape();
  close();
  expect(sampleOf(text, "tidegate_replica_lag_seconds")).toBeUndefined();
  expect(sampleOf(text, "tidegate_replica_in_use")).toBe(0);
});
