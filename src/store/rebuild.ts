import type { IndexValues } from "../fhir/search/index-values.ts";
import { instant, type TenantSession } from "./database.ts";
import { factTables } from "./fact-tables.ts";
import { indexColumns, indexInput, indexParameters } from "./index-columns.ts";
import { type StoredResource, storedColumns } from "./resource.ts";

/** The types of which this tenant holds anything, sorted. */
export async function storedTypes(session: TenantSession): Promise<string[]> {
  const rows = await session.query<{ type: string }>(
    "select distinct type from resource where tenant_id = $1 order by type",
    [session.tenantId],
  );
  return rows.map((row) => row.type);
}

/** How far the rebuild of a tenant has come: the type it is at, the last id of it that is done, and how many of all are. */
export interface RebuildPlace {
  readonly type: string;
  readonly afterId: string;
  readonly done: number;
  readonly total: number;
  readonly finishedAt: number | null;
}

/** Where the tenant's rebuild is, locked until the transaction ends; one that is not under way begins. */
export async function takePlace(session: TenantSession, nowMs: number): Promise<RebuildPlace> {
  await session.query(
    `insert into rebuild_place (tenant_id, type, after_id, done, total, starts, started_at)
     select $1, '', '', 0, (select count(*) from resource where tenant_id = $1 and not deleted), 1, $2
     where not exists (select from rebuild_place where tenant_id = $1)
     on conflict (tenant_id) do nothing`,
    [session.tenantId, instant(nowMs)],
  );
  const rows = await session.query<RebuildPlace>(
    `select type, after_id as "afterId", done::double precision as done, total::double precision as total,
       finished_at as "finishedAt" from rebuild_place where tenant_id = $1 for update`,
    [session.tenantId],
  );
  if (rows[0] === undefined) throw new Error("the rebuild was ended by another process");
  return rows[0];
}

/** Notes that this much more is done. */
export async function movePlace(
  session: TenantSession,
  place: Pick<RebuildPlace, "afterId" | "type">,
  done: number,
): Promise<void> {
  await session.query("update rebuild_place set type = $2, after_id = $3, done = done + $4 where tenant_id = $1", [
    session.tenantId,
    place.type,
    place.afterId,
    done,
  ]);
}

/** Notes that the tenant is done; its place stays until all tenants are. */
export async function finishPlace(session: TenantSession, nowMs: number): Promise<void> {
  await session.query("update rebuild_place set finished_at = $2 where tenant_id = $1", [
    session.tenantId,
    instant(nowMs),
  ]);
}

/** Forgets where the tenant's rebuild was: the next begins at the beginning. */
export async function forgetPlace(session: TenantSession): Promise<void> {
  await session.query("delete from rebuild_place where tenant_id = $1", [session.tenantId]);
}

/**
 * Removes derived rows of resources that are not in force: nobody writes such, but whoever had their hands in the tables may
 * have left some. Answers how many there were.
 */
export async function sweepDerived(session: TenantSession): Promise<number> {
  await session.query("set local statement_timeout = 0");
  const tables = [
    ...factTables.map(({ table, source, from }) => ({ table, source, types: from })),
    ...["resource_string", "resource_date"].map((table) => ({ table, source: "id", types: undefined })),
  ];
  let gone = 0;
  for (const { table, source, types } of tables) {
    const rows = await session.query<{ rows: number }>(
      `with gone as (
         delete from ${table} t where t.tenant_id = $1 and not exists (
           select from resource r where r.tenant_id = $1 and r.id = t.${source} and not r.deleted
             and r.type = ${types === undefined ? "t.type" : "any($2::text[])"})
         returning 1)
       select count(*)::int as rows from gone`,
      types === undefined ? [session.tenantId] : [session.tenantId, types],
    );
    gone += rows[0]?.rows ?? 0;
  }
  return gone;
}

/**
 * Current resources of a type in the order of ids, from after `afterId` on, locked until the transaction ends: whoever writes one
 * of them waits, and its derived rows are not made of what it was before.
 */
export async function currentResources(
  session: TenantSession,
  type: string,
  afterId: string,
  count: number,
): Promise<StoredResource[]> {
  return session.query<StoredResource>(
    `select ${storedColumns("r")} from resource r
     where tenant_id = $1 and type = $2 and id > $3 and not deleted order by id limit $4 for update of r`,
    [session.tenantId, type, afterId, count],
  );
}

/** Writes the index values of stored resources anew, leaving version and body as they are; a row that is right stays as it is. */
export async function replaceIndex(
  session: TenantSession,
  type: string,
  entries: readonly { readonly id: string; readonly index: IndexValues }[],
): Promise<void> {
  const strings = entries.flatMap((entry) => entry.index.strings.map((one) => ({ ...one, id: entry.id })));
  const dates = entries.flatMap((entry) => entry.index.dates.map((one) => ({ ...one, id: entry.id })));
  await session.query(replaceIndexStatement, [
    session.tenantId,
    type,
    entries.map((entry) => entry.id),
    strings.map((one) => one.key),
    strings.map((one) => one.folded),
    strings.map((one) => one.exact),
    strings.map((one) => one.id),
    dates.map((one) => one.key),
    dates.map((one) => instant(one.lowMs)),
    dates.map((one) => instant(one.highMs)),
    dates.map((one) => one.id),
    ...indexParameters(entries.map((entry) => entry.index)),
  ]);
}

const index = indexInput(12);

const replaceIndexStatement = `with input(id, ${indexColumns}) as materialized (
       select i.id, ${index.values} from unnest($3::text[], ${index.arrays}) as i(id, ${index.names})
     ), updated as (
       update resource r set (${indexColumns}) = (${columnsOf("i")})
       from input i where r.tenant_id = $1 and r.type = $2 and r.id = i.id
         and (${columnsOf("r")}) is distinct from (${columnsOf("i")})
     ), gone_strings as (
       delete from resource_string where tenant_id = $1 and type = $2 and id = any($3::text[])
     ), gone_dates as (
       delete from resource_date where tenant_id = $1 and type = $2 and id = any($3::text[])
     ), strings as (
       insert into resource_string (tenant_id, key, folded, exact, type, id)
       select $1, s.key, s.folded, s.exact, $2, s.id from unnest($4::bigint[], $5::text[], $6::text[], $7::text[]) as s(key, folded, exact, id)
     )
     insert into resource_date (tenant_id, key, low, high, type, id)
     select $1, d.key, d.low, d.high, $2, d.id from unnest($8::bigint[], $9::timestamptz[], $10::timestamptz[], $11::text[]) as d(key, low, high, id)`;

/** The index columns of one relation of a statement. */
function columnsOf(row: string): string {
  return indexColumns.replaceAll(/\w+/g, (column) => `${row}.${column}`);
}
