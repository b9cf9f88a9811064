import type { IndexValues } from "../fhir/search/index-values.ts";
import { instant, type TenantSession } from "./database.ts";
import { factTables } from "./fact-tables.ts";
import { placesColumn, placeTermsColumn, type StoredResource, storedColumns } from "./resource.ts";

/** Removes the facts and the index rows of one tenant; the resources and what arrived stay. */
export async function clearDerived(session: TenantSession): Promise<void> {
  const tables = [...factTables.map((table) => table.table), "resource_string", "resource_date"];
  for (const table of tables) await session.query(`delete from ${table} where tenant_id = $1`, [session.tenantId]);
}

/** The types of which this tenant holds anything, sorted. */
export async function storedTypes(session: TenantSession): Promise<string[]> {
  const rows = await session.query<{ type: string }>(
    "select distinct type from resource where tenant_id = $1 order by type",
    [session.tenantId],
  );
  return rows.map((row) => row.type);
}

/** Current resources of a type in the order of ids, from after `afterId` on. */
export async function currentResources(
  session: TenantSession,
  type: string,
  afterId: string,
  count: number,
): Promise<StoredResource[]> {
  return session.query<StoredResource>(
    `select ${storedColumns("r")} from resource r
     where tenant_id = $1 and type = $2 and id > $3 and not deleted order by id limit $4`,
    [session.tenantId, type, afterId, count],
  );
}

/** Writes the index values of stored resources anew, leaving version and body as they are. */
export async function replaceIndex(
  session: TenantSession,
  type: string,
  entries: readonly { readonly id: string; readonly index: IndexValues }[],
): Promise<void> {
  const list = (values: readonly (string | number)[]) => (values.length === 0 ? null : `{${values.join(",")}}`);
  const quantities = entries.map((entry) => entry.index.quantities);
  const strings = entries.flatMap((entry) => entry.index.strings.map((one) => ({ ...one, id: entry.id })));
  const dates = entries.flatMap((entry) => entry.index.dates.map((one) => ({ ...one, id: entry.id })));
  await session.query(
    `with updated as (
       update resource r set patient_id = i.patient_id, started_at = i.started_at, ended_at = i.ended_at,
         terms = i.terms::bigint[], quantity_keys = i.q_keys::bigint[], quantity_units = i.q_units::bigint[],
         quantity_lows = i.q_lows::float8[], quantity_highs = i.q_highs::float8[],
         quantity_places = i.q_places::smallint[], place_terms = i.place_terms::bigint[]
       from unnest($3::text[], $4::text[], $5::timestamptz[], $6::timestamptz[], $7::text[], $8::text[], $9::text[], $10::text[], $11::text[],
           $12::text[], $13::text[])
         as i(id, patient_id, started_at, ended_at, terms, q_keys, q_units, q_lows, q_highs, q_places, place_terms)
       where r.tenant_id = $1 and r.type = $2 and r.id = i.id
     ), strings as (
       insert into resource_string (tenant_id, key, folded, exact, type, id)
       select $1, s.key, s.folded, s.exact, $2, s.id from unnest($14::bigint[], $15::text[], $16::text[], $17::text[]) as s(key, folded, exact, id)
     )
     insert into resource_date (tenant_id, key, low, high, type, id)
     select $1, d.key, d.low, d.high, $2, d.id from unnest($18::bigint[], $19::timestamptz[], $20::timestamptz[], $21::text[]) as d(key, low, high, id)`,
    [
      session.tenantId,
      type,
      entries.map((entry) => entry.id),
      entries.map((entry) => entry.index.hot.patientId ?? null),
      entries.map((entry) => instant(entry.index.hot.startMs)),
      entries.map((entry) => instant(entry.index.hot.endMs)),
      entries.map((entry) => `{${entry.index.terms.join(",")}}`),
      quantities.map((row) => list(row.map((one) => one.key))),
      quantities.map((row) => list(row.map((one) => one.unit))),
      quantities.map((row) => list(row.map((one) => one.low))),
      quantities.map((row) => list(row.map((one) => one.high))),
      entries.map((entry) => placesColumn(entry.index)),
      entries.map((entry) => placeTermsColumn(entry.index)),
      strings.map((one) => one.key),
      strings.map((one) => one.folded),
      strings.map((one) => one.exact),
      strings.map((one) => one.id),
      dates.map((one) => one.key),
      dates.map((one) => instant(one.lowMs)),
      dates.map((one) => instant(one.highMs)),
      dates.map((one) => one.id),
    ],
  );
}
