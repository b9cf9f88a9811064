import { instant, type TenantSession } from "./database.ts";
import { deletedRows } from "./erasure-tables.ts";
import { type StoredResource, storedColumns } from "./resource.ts";

/** How many rows of one table were touched. */
export interface TouchedRows {
  readonly table: string;
  readonly rows: number;
}

/**
 * Starts the list `erasing` of what goes, for the rest of this transaction: everything under the person's id, deleted
 * resources too. Devices stay: they go back to the store room and to somebody else. Whoever writes about the person at this
 * moment is waited for; whoever comes later waits, and then finds nobody.
 */
export async function startErasing(session: TenantSession, patientId: string): Promise<void> {
  await session.query(
    `create temporary table erasing (type text collate "C" not null, id text collate "C" not null, primary key (type, id))
     on commit drop`,
  );
  // First the Patient alone: writers hold it while they point to it, and what they wrote is seen by the statement after.
  await session.query("select from resource where tenant_id = $1 and type = 'Patient' and id = $2 for update", [
    session.tenantId,
    patientId,
  ]);
  await session.query(
    `insert into erasing select r.type, r.id from resource r where r.tenant_id = $1
       and ((r.patient_id = $2 and r.type <> 'Device') or (r.type = 'Patient' and r.id = $2)) for update of r`,
    [session.tenantId, patientId],
  );
  await session.query("analyze erasing");
}

/** Adds `Type/id` to what goes. */
export async function alsoErase(session: TenantSession, references: readonly string[]): Promise<void> {
  if (references.length === 0) return;
  const pairs = references.map((reference) => reference.split("/"));
  await session.query(
    "insert into erasing select * from unnest($1::text[], $2::text[]) on conflict (type, id) do nothing",
    [pairs.map(([type]) => type), pairs.map(([, id]) => id)],
  );
}

/** `Type/id` of everything that goes. */
export async function erasing(session: TenantSession): Promise<Set<string>> {
  const rows = await session.query<{ reference: string }>("select type || '/' || id as reference from erasing");
  return new Set(rows.map(({ reference }) => reference));
}

/** A stored text that names the person, of a resource that does not go so far. */
export interface StoredMention extends StoredResource {
  readonly patientId: string | null;
  /** Whether this is the version in force. */
  readonly current: boolean;
}

const staying = (row: string) =>
  `${row}.tenant_id = $1 and not exists (select from erasing e where e.type = ${row}.type and e.id = ${row}.id)`;

/**
 * Versions in force and replaced ones, of what does not go, that hold any of these texts. It reads every body of the
 * tenant: an erasure is rare, and an index of old versions would cost every write.
 */
export function mentionsOf(session: TenantSession, texts: readonly string[]): Promise<StoredMention[]> {
  const holds = (row: string) =>
    `exists (select from unnest($2::text[]) as w(word) where position(w.word in ${row}.body) > 0)`;
  return session.query<StoredMention>(
    `select ${storedColumns("r")}, r.patient_id as "patientId", true as current from resource r where ${staying("r")} and ${holds("r")}
     union all
     select ${storedColumns("v")}, r.patient_id, false from resource_version v join resource r using (tenant_id, type, id)
     where ${staying("v")} and ${holds("v")}`,
    [session.tenantId, texts],
  );
}

const versionsAtOnce = 2_000;

/**
 * Replaced versions of what does not go, in batches. All of them: an old version is in no index, and to look for thousands of
 * references in its text the database takes a hundred times as long as whoever reads it (1.3 ms a version, measured).
 */
export async function* stayingVersions(session: TenantSession): AsyncGenerator<readonly StoredResource[]> {
  let after = { type: "", id: "", version: -1 };
  for (;;) {
    const batch = await session.query<StoredResource>(
      `select ${storedColumns("v")} from resource_version v
       where v.tenant_id = $1 and (v.type, v.id, v.version) > ($2::text collate "C", $3::text collate "C", $4::int)
         and not exists (select from erasing e where e.type = v.type and e.id = v.id)
       order by v.type, v.id, v.version limit ${versionsAtOnce}`,
      [session.tenantId, after.type, after.id, after.version],
    );
    if (batch.length > 0) yield batch;
    if (batch.length < versionsAtOnce) return;
    after = batch.at(-1) ?? after;
  }
}

/** `Type/id` in force, of what does not go, that has any of these terms. */
export async function stayingReferrers(session: TenantSession, terms: readonly string[]): Promise<string[]> {
  const found = new Set<string>();
  // Thousands of terms in one array make the planner read the whole table instead of the index.
  for (let from = 0; from < terms.length; from += 500) {
    const rows = await session.query<{ reference: string }>(
      `select r.type || '/' || r.id as reference from resource r
       where ${staying("r")} and not r.deleted and r.terms && $2::bigint[]`,
      [session.tenantId, terms.slice(from, from + 500)],
    );
    for (const { reference } of rows) found.add(reference);
  }
  return [...found].sort();
}

/** Addresses and references to resources of this type in the bodies of what goes, as they stand there; replaced versions included. */
export async function pointedToByErased(session: TenantSession, type: string): Promise<string[]> {
  const rows = await session.query<{ reference: string }>(
    `select distinct m[1] as reference from (
       select r.body from resource r join erasing e using (type, id) where r.tenant_id = $1
       union all
       select v.body from resource_version v join erasing e using (type, id) where v.tenant_id = $1
     ) b, regexp_matches(b.body, '"([^"]*' || $2 || '/[A-Za-z0-9.-]{1,64})"', 'g') as m
     where position($2 || '/' in b.body) > 0 order by 1`,
    [session.tenantId, type],
  );
  return rows.map(({ reference }) => reference);
}

/** All versions of one resource, deletions left out. */
export async function versionsOf(session: TenantSession, type: string, id: string): Promise<StoredResource[]> {
  const where = "where tenant_id = $1 and type = $2 and id = $3 and not deleted";
  return session.query<StoredResource>(
    `select ${storedColumns("r")} from resource r ${where} union all select ${storedColumns("v")} from resource_version v ${where}`,
    [session.tenantId, type, id],
  );
}

/** Writes a replaced version anew in its place: its number and time stay, and it says less. */
export async function rewriteVersion(session: TenantSession, version: StoredResource): Promise<void> {
  await session.query(
    "update resource_version set body = $5 where tenant_id = $1 and type = $2 and id = $3 and version = $4",
    [session.tenantId, version.type, version.id, version.version, version.body],
  );
}

/** Deletes every row about the person, table by table; tables without any are left out of the answer. */
export async function deleteErased(session: TenantSession, patientId: string): Promise<TouchedRows[]> {
  const touched: TouchedRows[] = [];
  // Exports and imports show to their clients alone, or to who says that it is the service's own work.
  await session.query("select set_config('tidegate.bulk_client', '*', true)");
  for (const { table, condition } of deletedRows) {
    const rows = await session.query<{ rows: number }>(
      `with gone as (delete from ${table} t where t.tenant_id = $1 and $2::text is not null and (${condition}) returning 1)
       select count(*)::int as rows from gone`,
      [session.tenantId, patientId],
    );
    touched.push({ table, rows: rows[0]?.rows ?? 0 });
  }
  // A deleted device keeps whose it was.
  await session.query("update resource set patient_id = null where tenant_id = $1 and patient_id = $2", [
    session.tenantId,
    patientId,
  ]);
  return touched.filter(({ rows }) => rows > 0);
}

/** Takes jobs about the person, or about these devices, out of the job table; those of tomorrow find nobody. */
export async function deleteJobs(
  session: TenantSession,
  patientId: string,
  deviceIdentifiers: readonly string[],
): Promise<number> {
  const rows = await session.query<{ rows: number }>(
    `with gone as (
       delete from graphile_worker._private_jobs j where (j.payload ->> 'tenantId')::int = $1
         and (j.payload ->> 'patientId' = $2 or j.payload ->> 'deviceIdentifier' = any($3::text[])
           -- The others of a batch are queued again the next time that anybody is due.
           or (j.payload::jsonb -> 'patientIds') ? $2) returning 1)
     select count(*)::int as rows from gone`,
    [session.tenantId, patientId, deviceIdentifiers],
  );
  return rows[0]?.rows ?? 0;
}

/** Disables clients that see this person alone, takes name and keys from them, and withdraws their tokens. */
export async function closeClients(session: TenantSession, patientId: string, nowMs: number): Promise<TouchedRows[]> {
  const [clients] = await session.query<{ rows: number }>(
    `with closed as (
       update client set disabled_at = coalesce(disabled_at, $3), name = 'Client of an erased person', jwks = '{"keys":[]}',
         jwks_url = null, version = version + 1, changed_at = $3
       where tenant_id = $1 and patient_id = $2 and (disabled_at is null or name <> 'Client of an erased person') returning 1)
     select count(*)::int as rows from closed`,
    [session.tenantId, patientId, instant(nowMs)],
  );
  const [tokens] = await session.query<{ rows: number }>(
    `with withdrawn as (
       update access_token t set revoked_at = $3 from client c
       where t.tenant_id = $1 and c.tenant_id = $1 and c.client_id = t.client_id and c.patient_id = $2
         and t.revoked_at is null returning 1)
     select count(*)::int as rows from withdrawn`,
    [session.tenantId, patientId, instant(nowMs)],
  );
  const touched = [
    { table: "client", rows: clients?.rows ?? 0 },
    { table: "access_token", rows: tokens?.rows ?? 0 },
  ];
  return touched.filter(({ rows }) => rows > 0);
}

/** Which of these people were erased here before, as the audit trail tells. */
export async function erasedBefore(session: TenantSession, patientIds: readonly string[]): Promise<Set<string>> {
  const rows = await session.query<{ id: string }>(
    `select distinct p.id from audit_entry a, unnest(a.patient_ids) as p(id)
     where a.tenant_id = $1 and a.patient_ids && $2::text[] and a.route = 'erase-person' and p.id = any($2::text[])`,
    [session.tenantId, patientIds],
  );
  return new Set(rows.map(({ id }) => id));
}
