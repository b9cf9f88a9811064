import type { TenantSession } from "./database.ts";

/** More organisations than any service has; a tree that is larger is cut off, which shows too little and never too much. */
const mostOrganizations = 1_000;

/** An organisation and all below it, by `partOf`; a circle ends. */
export async function organizationsBelow(session: TenantSession, organizationId: string): Promise<string[]> {
  const rows = await session.query<{ id: string }>(
    `with recursive below as (
       select $2::text collate "C" as id
       union
       select r.id from resource r, below
       where r.tenant_id = $1 and r.type = 'Organization' and not r.deleted
         and r.body::jsonb #>> '{partOf,reference}' = 'Organization/' || below.id
     )
     select id from below order by id limit $3`,
    [session.tenantId, organizationId, mostOrganizations],
  );
  return rows.map((row) => row.id);
}

/** An organisation and those that it is part of, one after another; a circle ends. */
export async function organizationsAbove(session: TenantSession, organizationId: string): Promise<string[]> {
  const rows = await session.query<{ id: string }>(
    `with recursive above as (
       select $2::text collate "C" as id
       union
       select substring(r.body::jsonb #>> '{partOf,reference}' from '^Organization/([A-Za-z0-9.-]{1,64})$') collate "C"
       from resource r, above
       where r.tenant_id = $1 and r.type = 'Organization' and not r.deleted and r.id = above.id
     )
     select id from above where id is not null order by id limit $3`,
    [session.tenantId, organizationId, mostOrganizations],
  );
  return rows.map((row) => row.id);
}
