import { Client } from "pg";
import { rebuild } from "../../src/flows/rebuild.ts";
import { recordUse } from "../../src/flows/record-use.ts";
import { openDatabase } from "../../src/store/database.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { registerPatients } from "./patients.ts";
import { benchService } from "./service.ts";
import { uploadsOf } from "./uploads.ts";

/** Resources a second, of a rebuild and of plain SQL that writes the same rows. */
export interface RebuildFigures {
  readonly resources: number;
  readonly rebuiltASecond: number;
  readonly plainASecond: number;
  readonly ratio: number;
}

const size = { patients: 40, days: 60, daysEach: 10 };
const rowsAStatement = 200;
const written = [
  "resource",
  "resource_string",
  "resource_date",
  "therapy_session",
  "coverage",
  "device_use",
  "patient",
];

/**
 * Makes the derived rows of 40 people's uploads of 60 days anew, once over rows that are right and once over rows that were all
 * lost, beside plain inserts of the resources and of the same derived rows into twin tables with the same indexes.
 */
export async function measureRebuild(
  connectionString: string,
): Promise<{ readonly right: RebuildFigures; readonly lost: RebuildFigures }> {
  const database = openDatabase(connectionString, { statementTimeoutMs: 120_000 });
  const raw = new Client({ connectionString });
  await raw.connect();
  try {
    const service = benchService(database);
    const { tenantId } = await ensureTenant(database, "rebuild");
    await registerPatients(service, tenantId, size.patients);
    for (const upload of uploadsOf(size)) {
      const report = await recordUse(service, tenantId, upload, { maxBytes: 64 * 1024 * 1024 });
      if (!report.ok) throw new Error(JSON.stringify(report));
    }
    await raw.query("analyze");
    const plain = await plainSeconds(raw, tenantId);
    const right = await rebuildSeconds(service);
    await raw.query("select set_config('tidegate.tenant', $1, false)", [String(tenantId)]);
    await raw.query("update resource set terms = '{}', quantity_keys = null");
    for (const table of written.slice(1)) await raw.query(`delete from ${table}`);
    const lost = await rebuildSeconds(service);
    return { right: figuresOf(right, plain), lost: figuresOf(lost, plain) };
  } finally {
    await raw.end();
    await database.close();
  }
}

function figuresOf(own: { seconds: number; resources: number }, plainSeconds: number): RebuildFigures {
  const { resources, seconds } = own;
  return {
    resources,
    rebuiltASecond: Math.round(resources / seconds),
    plainASecond: Math.round(resources / plainSeconds),
    ratio: Math.round((plainSeconds / seconds) * 100) / 100,
  };
}

async function rebuildSeconds(
  service: ReturnType<typeof benchService>,
): Promise<{ seconds: number; resources: number }> {
  const start = performance.now();
  let resources = 0;
  await rebuild(service, {
    start: "begin",
    onProgress: ({ done }) => {
      resources = done;
    },
  });
  return { seconds: (performance.now() - start) / 1_000, resources };
}

/** Writes what a rebuild reads and what it makes, each row as the text it has, 200 a statement, in one transaction. */
async function plainSeconds(raw: Client, tenantId: number): Promise<number> {
  const batches: { table: string; rows: string[] }[] = [];
  for (const table of written) {
    await raw.query(`create table raw_${table} (like ${table} including all excluding generated)`);
    const { rows } = await raw.query(`select t::text as row from ${table} t where tenant_id = $1`, [tenantId]);
    const texts = (rows as { row: string }[]).map(({ row }) => row);
    for (let from = 0; from < texts.length; from += rowsAStatement) {
      batches.push({ table, rows: texts.slice(from, from + rowsAStatement) });
    }
  }
  const start = performance.now();
  await raw.query("begin");
  for (const { table, rows } of batches) {
    await raw.query({
      name: `raw ${table}`,
      text: `insert into raw_${table} select (r.t).* from (select unnest($1::text[])::${table} as t) r`,
      values: [rows],
    });
  }
  await raw.query("commit");
  const seconds = (performance.now() - start) / 1_000;
  for (const table of written) await raw.query(`drop table raw_${table}`);
  return seconds;
}
