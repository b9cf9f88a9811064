import { cpSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { drizzle } from "drizzle-orm/node-postgres";
import { migrate as runMigrations } from "drizzle-orm/node-postgres/migrator";
import { runMigrations as runWorkerMigrations } from "graphile-worker";
import { Client } from "pg";
import { afterAll, beforeAll, expect, test } from "vitest";
import { verifyAudit } from "../../src/store/audit.ts";
import { type Database, openDatabase, readInTenant } from "../../src/store/database.ts";
import { readHistory } from "../../src/store/history.ts";
import { migrate } from "../../src/store/migrate.ts";
import { rowsAstray } from "../../src/store/partition.ts";
import { listUploads, readUploadBytes } from "../../src/store/upload.ts";
import { emptyDatabase, type TestDatabase } from "../support/database.ts";

let empty: TestDatabase;
let raw: Client;
let database: Database;
let filesBefore: string[];
const folder = mkdtempSync(join(tmpdir(), "tidegate-before-partitions-"));

/** The migrations as they were before tables were partitioned. */
function migrationsBefore(): string {
  const migrations = join(folder, "migrations");
  cpSync(new URL("../../db/migrations", import.meta.url), migrations, { recursive: true });
  const path = join(migrations, "meta/_journal.json");
  const journal = JSON.parse(readFileSync(path, "utf8")) as { entries: { tag: string }[] };
  const end = journal.entries.findIndex(({ tag }) => tag === "0009_partitions");
  writeFileSync(path, JSON.stringify({ ...journal, entries: journal.entries.slice(0, end) }));
  return migrations;
}

/** The files that hold these tables; one that is written anew gets another (PostgreSQL manual, pg_class.relfilenode). */
async function filesOf(tables: readonly string[]): Promise<string[]> {
  const { rows } = await raw.query(
    "select relfilenode::text as file from unnest($1::text[]) as t(name) join pg_class on relname = t.name order by t.name",
    [tables],
  );
  return rows.map((row) => (row as { file: string }).file);
}

beforeAll(async () => {
  empty = await emptyDatabase();
  raw = new Client({ connectionString: empty.connectionString });
  await raw.connect();
  await runWorkerMigrations({ connectionString: empty.connectionString });
  await runMigrations(drizzle(raw), { migrationsFolder: migrationsBefore() });
  await raw.query("insert into tenant (slug) values ('one'), ('two')");
  for (const tenantId of [1, 2]) {
    await raw.query("select set_config('tidegate.tenant', $1, false)", [String(tenantId)]);
    const entries = [1_780_000_000_000, 1_700_000_000_000, 1_790_000_000_000].map((at) =>
      JSON.stringify([String(at), "c", "R", "rest", "0", "/", "r", ["p"], [], "{}"]),
    );
    await raw.query("select append_audit($1::text[])", [entries]);
    await raw.query(
      `insert into resource_version (tenant_id, type, id, version, last_updated, deleted, body)
       select $1::int, 'Condition', 'c', v, timestamptz '2025-01-01' + v * interval '1 month', false, '{"v":' || v || '}' from generate_series(1, 3) v`,
      [tenantId],
    );
    await raw.query(
      `insert into resource (tenant_id, type, id, version, last_updated, terms, body)
       values ($1, 'Condition', 'c', 4, '2025-06-01', '{}', '{"v":4}')`,
      [tenantId],
    );
    const upload = `insert into received_upload (tenant_id, upload_id, received_at, last_tried_at, attempts, content_type,
      content_encoding, sha256, bytes, status, report)`;
    await raw.query(
      `${upload} values ($1, 'here', '2025-03-01', '2025-03-02', 2, 'text/csv', 'identity', sha256('abc'), 'abc', 'refused', '{"received":1}'),
       ($1, 'gone', '2025-02-01', '2025-02-01', 1, 'text/csv', 'identity', sha256('abcdef'), '', 'accepted',
         '{"contentRemoved":{"why":"retention","bytes":6}}')`,
      [tenantId],
    );
  }
  filesBefore = await filesOf(["audit_entry", "received_upload", "resource_version"]);
  await migrate(empty.connectionString);
  database = openDatabase(empty.connectionString);
}, 60_000);

afterAll(async () => {
  await database?.close();
  await raw.end();
  await empty.drop();
  rmSync(folder, { recursive: true, force: true });
});

test.each([1, 2])("of tenant %i the trail is whole, versions and uploads are there", async (tenantId) => {
  await readInTenant(database, tenantId, async (session) => {
    expect(await verifyAudit(session)).toMatchObject({ ok: true, rows: 3 });
    const scope = { type: "Condition", id: "c" };
    const { versions } = await readHistory(session, { scope }, { count: 10 });
    expect(versions.map(({ body }) => body)).toEqual([4, 3, 2, 1].map((v) => `{"v":${v}}`));
    // When they were replaced is told by the next version.
    const [lowMs, highMs] = [Date.UTC(2025, 2, 15), Date.UTC(2025, 2, 16)];
    const then = await readHistory(session, { scope, at: { lowMs, highMs } }, { count: 10 });
    expect(then.versions.map(({ body }) => body)).toEqual(['{"v":2}']);
    const listed = await listUploads(session, { count: 10 });
    expect(listed.map(({ uploadId, attempts, sizeBytes }) => ({ uploadId, attempts, sizeBytes }))).toEqual([
      { uploadId: "here", attempts: 2, sizeBytes: 3 },
      { uploadId: "gone", attempts: 1, sizeBytes: 6 },
    ]);
    expect(await readUploadBytes(session, "here")).toMatchObject({ bytes: Buffer.from("abc"), isRemoved: false });
    expect(await readUploadBytes(session, "gone")).toMatchObject({ bytes: Buffer.alloc(0), isRemoved: true });
  });
});

test("nothing was written anew: all lies in the first partitions, in the files it lay in", async () => {
  expect(await rowsAstray(database)).toEqual([]);
  const places = await raw.query(
    `select distinct tableoid::regclass::text as name from audit_entry union
     select distinct tableoid::regclass::text from resource_version union
     select distinct tableoid::regclass::text from received_content order by 1`,
  );
  expect(places.rows.map((row) => (row as { name: string }).name)).toEqual([
    "audit_entry_first",
    "received_content_first",
    "resource_version_first",
  ]);
  expect(await filesOf(["audit_entry_first", "received_content_first", "resource_version_first"])).toEqual(filesBefore);
});

test("what one tenant has the other does not see, in no partition", async () => {
  const seen = await readInTenant(database, 1, (session) =>
    session.query<{ tenant: number }>(
      `select tenant_id as tenant from audit_entry union select tenant_id from resource_version
       union select tenant_id from received_content union select tenant_id from received_upload`,
    ),
  );
  expect(seen).toEqual([{ tenant: 1 }]);
});
