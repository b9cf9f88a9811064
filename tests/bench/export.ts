import { performance } from "node:perf_hooks";
import { readScopes } from "../../src/fhir/scopes.ts";
import { beginExport } from "../../src/flows/bulk-jobs.ts";
import { runBulk } from "../../src/flows/run-bulk.ts";
import { lookAtBulk } from "../../src/store/bulk-job.ts";
import {
  copySnapshotInTenant,
  type Database,
  inTenant,
  openDatabase,
  readSnapshotInTenant,
} from "../../src/store/database.ts";
import { ensureTenant } from "../../src/store/tenant.ts";
import { benchService } from "./service.ts";

/** What an export took beside the plain COPY of the same rows: the middle of several turns each. */
export interface ExportFigures {
  readonly rows: number;
  readonly bytes: number;
  /** Bytes a second. */
  readonly raw: number;
  readonly ours: number;
  readonly oursOfRaw: number;
  /** The most memory that the process had while it exported, and before. */
  readonly peakRss: number;
  readonly rssBefore: number;
  /** Bytes as they are kept. */
  readonly packed: number;
}

const turns = 3;

/**
 * Measures an export of `rows` Observations of about 1.5 kB against `COPY … TO STDOUT` of the same rows, on a migrated
 * database; adds the rows to a tenant of its own.
 */
export async function measureExport(connectionString: string, rows = 200_000): Promise<ExportFigures> {
  const database = openDatabase(connectionString, { statementTimeoutMs: 0 });
  try {
    const { tenantId } = await ensureTenant(database, `export-${rows}`);
    await fill(database, tenantId, rows);
    const raws: number[] = [];
    const ours: Awaited<ReturnType<typeof exported>>[] = [];
    for (let turn = 0; turn < turns; turn += 1) {
      raws.push(await copied(database, tenantId));
      ours.push(await exported(database, tenantId));
    }
    const [raw = 0, middle] = [raws.sort((a, b) => a - b)[1], ours.sort((a, b) => a.rate - b.rate)[1]];
    if (middle === undefined) throw new Error("nothing was exported");
    const { bytes, rate, peakRss, rssBefore, packed } = middle;
    return { rows, bytes, raw, ours: rate, oursOfRaw: rate / raw, peakRss, rssBefore, packed };
  } finally {
    await database.close();
  }
}

/** Observations as sessions are stored, by one statement: nothing here is looked for by its terms. */
async function fill(database: Database, tenantId: number, rows: number): Promise<void> {
  await inTenant(database, tenantId, (session) =>
    session.query(
      `insert into resource (tenant_id, type, id, version, last_updated, deleted, patient_id, started_at, ended_at, terms, body)
       select $1, 'Observation', 'session-' || i, 1, now(), false, 'person-' || i % 1000, now(), now(), '{}',
         json_build_object('resourceType', 'Observation', 'id', 'session-' || i, 'status', 'final',
           'code', json_build_object('text', 'Assisted cough session'),
           'subject', json_build_object('reference', 'Patient/person-' || i % 1000),
           'component', (select json_agg(json_build_object('code', json_build_object('text', 'Measure ' || c),
             'valueQuantity', json_build_object('value', (i * c) % 997, 'unit', 'cm[H2O]')))
             from generate_series(1, 11) c))::text
       from generate_series(1, $2::int) i on conflict do nothing`,
      [tenantId, rows],
    ),
  );
}

/** Bytes a second of the plain COPY, read and thrown away. */
async function copied(database: Database, tenantId: number): Promise<number> {
  return copySnapshotInTenant(database, tenantId, async (session) => {
    const started = performance.now();
    let bytes = 0;
    const query = `select body from resource where tenant_id = ${tenantId} and type = 'Observation' and not deleted`;
    for await (const piece of session.copy(query, "format text") as AsyncIterable<Buffer>) bytes += piece.length;
    return bytes / ((performance.now() - started) / 1_000);
  });
}

async function exported(database: Database, tenantId: number) {
  const service = benchService(database);
  const asked = { level: "system", types: ["Observation"], filters: [], ignored: [] } as const;
  const grant = { tenantId, clientId: "bench", scopes: readScopes("system/*.rs").scopes };
  const begun = await beginExport(service, tenantId, asked, { grant, requestUrl: "" });
  if (typeof begun !== "string") throw new Error(begun.tooMany);
  const rssBefore = process.memoryUsage.rss();
  let peakRss = 0;
  const watch = setInterval(() => {
    peakRss = Math.max(peakRss, process.memoryUsage.rss());
  }, 20);
  const started = performance.now();
  await runBulk(service, tenantId, begun);
  const seconds = (performance.now() - started) / 1_000;
  clearInterval(watch);
  const { bytes, packed } = await readSnapshotInTenant(database, tenantId, async (session) => {
    await lookAtBulk(session, "bench");
    const [sums] = await session.query<{ bytes: number; packed: number }>(
      `select sum(bytes)::float8 as bytes, sum(octet_length(packed))::float8 as packed from bulk_chunk
       where tenant_id = $1 and job_id = $2`,
      [tenantId, begun],
    );
    return sums ?? { bytes: 0, packed: 0 };
  });
  return { bytes, packed, rate: bytes / seconds, rssBefore, peakRss };
}
