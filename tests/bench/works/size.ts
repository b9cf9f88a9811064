import type { Client } from "pg";

const tables = ["resource", "resource_string", "resource_date", "therapy_session", "coverage"];

/** What a tenant's records take on disk, indexes and TOAST included, beside the JSON text of its resources. */
export interface DiskUse {
  readonly diskBytes: number;
  readonly textBytes: number;
  readonly sessions: number;
}

/** Measures all tenants together: tables know no other size. */
export async function diskUse(admin: Client): Promise<DiskUse> {
  const answer = await admin.query(
    `select (select sum(pg_total_relation_size(t::regclass)) from unnest($1::text[]) as t)::float8 as "diskBytes",
       (select coalesce(sum(octet_length(body)), 0) from resource)::float8 as "textBytes",
       (select count(*) from therapy_session)::float8 as sessions`,
    [tables],
  );
  return answer.rows[0] as DiskUse;
}
