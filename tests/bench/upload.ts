import { Client } from "pg";
import type { AuditEntry } from "../../src/fhir/audit-event.ts";
import { recordUse } from "../../src/flows/record-use.ts";
import { audited, openTrail, writtenEntry } from "../../src/flows/trail.ts";
import { type Database, openDatabase, type Written } from "../../src/store/database.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { registerPatients } from "./patients.ts";
import { benchService } from "./service.ts";
import { uploadsOf } from "./uploads.ts";

interface Measured {
  readonly table: readonly Record<string, string | number>[];
  readonly figures: Record<string, number>;
}

/** Sessions written by one slice, and how long it took. */
interface Slice {
  readonly sessions: number;
  readonly seconds: number;
}

const copied = ["resource", "resource_string", "resource_date", "therapy_session", "coverage", "received_upload"];

/**
 * Sends every upload through the flow behind the door, and writes the very rows that each made into twin tables with
 * the same indexes by plain multi-row inserts, one slice after the other so that both see the same weather.
 */
export async function measureUploads(
  connectionString: string,
  size: { patients: number; days: number },
): Promise<Measured> {
  const database = openDatabase(connectionString, { statementTimeoutMs: 120_000 });
  const raw = new Client({ connectionString });
  await raw.connect();
  try {
    return await measure(database, raw, size);
  } finally {
    await raw.end();
    await database.close();
  }
}

async function measure(database: Database, raw: Client, size: { patients: number; days: number }): Promise<Measured> {
  const behind = benchService(database);
  const trail = openTrail(behind, "bench");
  const service = audited(behind, trail, (written) => uploadEntry(behind.now(), written));
  const { tenantId } = await ensureTenant(database, "bench");
  await registerPatients(service, tenantId, size.patients);
  for (const table of copied)
    await raw.query(`create table raw_${table} (like ${table} including all excluding generated)`);
  const ours: Slice[] = [];
  const plain: Slice[] = [];
  const uploads = uploadsOf(size);
  const perSlice = Math.max(1, Math.ceil(uploads.length / 20));
  const walStart = await walBytes(raw);
  let ourWal = 0;
  for (let from = 0; from < uploads.length; from += perSlice) {
    const slice = uploads.slice(from, from + perSlice);
    const before = await walBytes(raw);
    const start = performance.now();
    let sessions = 0;
    for (const upload of slice) {
      const report = await recordUse(service, tenantId, upload, { maxBytes: 64 * 1024 * 1024 });
      if (!report.ok || report.value.created !== upload.sessions) throw new Error(JSON.stringify(report));
      sessions += report.value.created;
    }
    ours.push({ sessions, seconds: (performance.now() - start) / 1000 });
    ourWal += (await walBytes(raw)) - before;
    plain.push({ sessions, seconds: await copyNewRows(raw, tenantId) });
  }
  await trail.close();
  const totalWal = (await walBytes(raw)) - walStart;
  return report(ours, plain, ourWal, totalWal - ourWal);
}

/** What the door would say of an upload in the trail. */
function uploadEntry(atMs: number, written: readonly Written[]): AuditEntry {
  const told = { action: "C", kind: "upload", outcome: "0", route: "/api/v1/use-records" } as const;
  return { ...told, ...writtenEntry(written), atMs, clientId: "bench", requestId: "bench" };
}

async function walBytes(client: Client): Promise<number> {
  const answer = await client.query("select pg_wal_lsn_diff(pg_current_wal_lsn(), '0/0')::float8 as bytes");
  return (answer.rows[0] as { bytes: number }).bytes;
}

const batchRows = 200;

/** Writes the rows that the last slice added into the twin tables: bound as JSON of plain rows, 200 a statement. */
async function copyNewRows(client: Client, tenantId: number): Promise<number> {
  const batches: { table: string; rows: unknown[] }[] = [];
  for (const table of copied) {
    const key = table === "resource" ? "(type, id)" : table === "therapy_session" ? "session_id" : "to_jsonb(t)";
    const twin = key === "to_jsonb(t)" ? "to_jsonb(r)" : key;
    const answer = await client.query(
      `select t::text as row from ${table} t where t.tenant_id = $1 and not exists (select 1 from raw_${table} r where ${twin} = ${
        key === "(type, id)" ? "(t.type, t.id)" : key === "session_id" ? "t.session_id" : key
      })`,
      [tenantId],
    );
    const rows = (answer.rows as { row: string }[]).map((one) => one.row);
    for (let from = 0; from < rows.length; from += batchRows)
      batches.push({ table, rows: rows.slice(from, from + batchRows) });
  }
  const start = performance.now();
  await client.query("begin");
  for (const { table, rows } of batches) {
    await client.query({
      name: `raw ${table}`,
      text: `insert into raw_${table} select (r.t).* from (select unnest($1::text[])::${table} as t) r`,
      values: [rows],
    });
  }
  await client.query("commit");
  return (performance.now() - start) / 1000;
}

function median(values: readonly number[]): number {
  const sorted = [...values].sort((a, b) => a - b);
  return sorted[Math.floor(sorted.length / 2)] ?? Number.NaN;
}

function report(ours: readonly Slice[], plain: readonly Slice[], ourWal: number, plainWal: number): Measured {
  const rate = (slices: readonly Slice[]) => median(slices.map((slice) => slice.sessions / slice.seconds));
  const sessions = ours.reduce((sum, slice) => sum + slice.sessions, 0);
  const figures = {
    sessions,
    tidegateSessionsPerSecond: Math.round(rate(ours)),
    plainSessionsPerSecond: Math.round(rate(plain)),
    ratio: Number((rate(ours) / rate(plain)).toFixed(3)),
    tidegateWalBytesPerSession: Math.round(ourWal / sessions),
    plainWalBytesPerSession: Math.round(plainWal / sessions),
    peakMemoryMebibytes: Math.round(process.resourceUsage().maxRSS / 1024),
  };
  const line = (work: string, perSecond: number, wal: number) => ({
    work,
    "sessions/s (median)": perSecond,
    "WAL bytes/session": wal,
  });
  return {
    figures,
    table: [
      line("upload, all that the door does", figures.tidegateSessionsPerSecond, figures.tidegateWalBytesPerSession),
      line("plain insert of the same rows", figures.plainSessionsPerSecond, figures.plainWalBytesPerSession),
      { work: "ratio", "sessions/s (median)": figures.ratio, "WAL bytes/session": "" },
    ],
  };
}
