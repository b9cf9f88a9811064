import { Client } from "pg";
import type { AuditEntry } from "../../src/fhir/audit-event.ts";
import { readPastRecord } from "../../src/store/as-of.ts";
import { appendAudit, readAudit } from "../../src/store/audit.ts";
import { type Database, inTenant, openDatabase, readInTenant, type TenantSession } from "../../src/store/database.ts";
import { readHistory } from "../../src/store/history.ts";
import { migrate } from "../../src/store/migrate.ts";
import { readVersion } from "../../src/store/resource.ts";
import { ensureTenant } from "../../src/store/tenant.ts";

const [months, people, versionsEach] = [36, 400, 180];
const monthMs = 30.4 * 86_400_000;

/** One row of the table that the bench prints: medians in milliseconds. */
type Figures = Record<string, { readonly onePartition: number; readonly monthly: number; readonly ratio: number }>;

/**
 * Reads of old versions and of the audit trail, over three years of both: in a database where all lies in one partition, as it
 * does where the tables were before they were partitioned, and in one with a partition for each of 36 months. They are asked in
 * turns, so that both see the same weather. The second database is made beside the first and dropped again.
 */
export async function measureMonths(connectionString: string): Promise<Figures> {
  const beside = new URL(connectionString);
  beside.pathname = `${beside.pathname}_months`;
  const admin = new Client({ connectionString });
  await admin.connect();
  await admin.query(`create database ${beside.pathname.slice(1)}`);
  const databases: Database[] = [];
  try {
    await migrate(beside.href);
    for (const [n, url] of [connectionString, beside.href].entries()) {
      const database = openDatabase(url, { poolSize: 2 });
      databases.push(database);
      await prepare(url, (await ensureTenant(database, "months")).tenantId, n === 1);
    }
    const [whole, monthly] = databases;
    if (whole === undefined || monthly === undefined) throw new Error("no databases");
    return await compared(whole, monthly);
  } finally {
    for (const database of databases) await database.close();
    await admin.query(`drop database ${beside.pathname.slice(1)} with (force)`);
    await admin.end();
  }
}

async function prepare(url: string, tenantId: number, isMonthly: boolean): Promise<void> {
  const raw = new Client({ connectionString: url });
  await raw.connect();
  await fill(raw, tenantId);
  if (isMonthly) await split(raw);
  await raw.end();
}

/** A Condition of each person, changed five times a month, and as many entries of the trail. */
async function fill(raw: Client, tenantId: number): Promise<void> {
  await raw.query("select set_config('tidegate.tenant', $1, false)", [String(tenantId)]);
  const at = (version: string) =>
    `now() - interval '1 day' - (${versionsEach} - ${version}) * interval '${months / versionsEach} months'`;
  const body = `'{"resourceType":"Condition","id":"c' || p || '","text":"' || repeat(md5(p || '-' || v), 25) || '"}'`;
  await raw.query(
    `insert into resource_version (tenant_id, type, id, version, last_updated, deleted, body, replaced_at)
     select $1::int, 'Condition', 'c' || p, v, ${at("v")}, false, ${body}, ${at("v + 1")}
     from generate_series(1, ${versionsEach - 1}) v, generate_series(1, ${people}) p`,
    [tenantId],
  );
  await raw.query(
    `insert into resource (tenant_id, type, id, version, last_updated, patient_id, terms, body)
     select $1::int, 'Condition', 'c' || p, v, ${at("v")}, 'p' || p, '{}', ${body}
     from (values (${versionsEach})) as n(v), generate_series(1, ${people}) p`,
    [tenantId],
  );
  await raw.query(
    `insert into audit_entry select $1::int, (v - 1) * ${people} + p, ${at("v")}, 'client-' || p % 10, 'R', 'rest', '0', '/fhir/:type/:id',
       md5(v || '-' || p), array['p' || p], array['Condition/c' || p], '{}', sha256('a'), sha256('b')
     from generate_series(1, ${versionsEach}) v, generate_series(1, ${people}) p`,
    [tenantId],
  );
  await raw.query("vacuum analyze resource, resource_version, audit_entry");
}

/** Moves everything into partitions by month. */
async function split(raw: Client): Promise<void> {
  for (const [table, key] of [
    ["resource_version", "replaced_at"],
    ["audit_entry", "at"],
  ]) {
    await raw.query(`alter table ${table} detach partition ${table}_first`);
    await raw.query(
      `select make_partition($1, (now() - m * interval '1 month')::date) from generate_series(0, ${months + 1}) m`,
      [table],
    );
    const columns = await raw.query(
      `select string_agg(attname, ', ' order by attnum) as list from pg_attribute
       where attrelid = $1::regclass and attnum > 0 and not attisdropped and attgenerated = ''`,
      [table],
    );
    const { list } = columns.rows[0] as { list: string };
    await raw.query(`insert into ${table} (${list}) select ${list} from ${table}_first where ${key} is not null`);
    await raw.query(`drop table ${table}_first`);
  }
  await raw.query("vacuum analyze resource_version, audit_entry");
}

type Deed = (id: number) => Promise<unknown>;

function deedsOn(database: Database, tenantId: number): Readonly<Record<string, Deed>> {
  const read = (work: (session: TenantSession, id: number) => Promise<unknown>) => (id: number) =>
    readInTenant(database, tenantId, (session) => work(session, id));
  const yearAgo = Date.now() - 12 * monthMs;
  const scope = (id: number) => ({ type: "Condition", id: `c${id}` });
  const entry: AuditEntry = {
    ...{ clientId: "client-1", action: "R", kind: "rest", outcome: "0", route: "/", requestId: "r", entities: [] },
    ...{ atMs: Date.now(), patientIds: ["p1"] },
  };
  return {
    "vread of an old version": read((s, id) => readVersion(s, "Condition", `c${id}`, 1 + (id % versionsEach))),
    "history of a resource, 20": read((s, id) => readHistory(s, { scope: scope(id) }, { count: 20 })),
    "the same, _since a month ago": read((s, id) =>
      readHistory(s, { scope: scope(id), sinceMs: Date.now() - monthMs }, { count: 20 }),
    ),
    "the same, _at a day a year ago": read((s, id) =>
      readHistory(s, { scope: scope(id), at: { lowMs: yearAgo, highMs: yearAgo + 86_400_000 } }, { count: 20 }),
    ),
    "history of a type, 20": read((s) => readHistory(s, { scope: { type: "Condition" } }, { count: 20 })),
    "look back a year at a person": read((s, id) =>
      readPastRecord(s, `p${id}`, { asOfMs: yearAgo, sessionsFromMs: yearAgo - 28 * 86_400_000 }),
    ),
    "who looked at a person, last 20": read((s, id) => readAudit(s, { patientId: `p${id}`, count: 20 })),
    "the same, in one month": read((s, id) =>
      readAudit(s, { patientId: `p${id}`, fromMs: yearAgo, untilMs: yearAgo + monthMs, count: 20 }),
    ),
    "last 20 entries": read((s) => readAudit(s, { count: 20 })),
    "append an entry": () => inTenant(database, tenantId, (session) => appendAudit(session, [entry])),
  };
}

const [warmUp, measured] = [40, 200];

async function compared(whole: Database, monthly: Database): Promise<Figures> {
  const tenants = await Promise.all([whole, monthly].map((one) => ensureTenant(one, "months")));
  const deeds = [whole, monthly].map((one, n) => deedsOn(one, tenants[n]?.tenantId ?? 0));
  const figures: Figures = {};
  for (const name of Object.keys(deeds[0] ?? {})) {
    const times: [number[], number[]] = [[], []];
    for (let turn = 0; turn < warmUp + measured; turn++) {
      for (const [n, of] of deeds.entries()) {
        const start = performance.now();
        await of[name]?.(1 + ((turn * 37) % people));
        if (turn >= warmUp) times[n]?.push(performance.now() - start);
      }
    }
    const [onePartition, months] = times.map((some) => some.sort((a, b) => a - b)[some.length >> 1] ?? Number.NaN);
    figures[name] = {
      onePartition: round(onePartition ?? Number.NaN),
      monthly: round(months ?? Number.NaN),
      ratio: round((months ?? Number.NaN) / (onePartition ?? Number.NaN)),
    };
  }
  return figures;
}

const round = (value: number) => Math.round(value * 100) / 100;
