import type { TenantSession } from "./database.ts";
import { eachOf, split } from "./resource.ts";

/**
 * Which of these `Type/id` are here and not deleted; they are held until the transaction ends: a deletion waits for it,
 * and changes of other kinds do too.
 */
export async function presentAndHeld(session: TenantSession, references: readonly string[]): Promise<Set<string>> {
  if (references.length === 0) return new Set();
  const { types, ids } = split(references);
  const rows = await session.query<{ type: string; id: string }>(
    `select r.type, r.id from ${eachOf("$2", "$3")} cross join lateral (
       select type, id from resource where tenant_id = $1 and type = wanted.type and id = wanted.id and not deleted
       limit 1 for key share) r`,
    [session.tenantId, types, ids],
  );
  return new Set(rows.map(({ type, id }) => `${type}/${id}`));
}

/** `Type/id` of current resources with any of these terms, those of `besides` left out; at most `limit`. */
export async function referrersTo(
  session: TenantSession,
  terms: readonly string[],
  besides: readonly string[],
  limit: number,
): Promise<string[]> {
  const rows = await session.query<{ reference: string }>(
    `select r.type || '/' || r.id as reference from resource r
     where r.tenant_id = $1 and not r.deleted and r.terms && $2::bigint[] and r.type || '/' || r.id <> all($3::text[])
     order by r.type, r.id limit $4`,
    [session.tenantId, terms, besides, limit],
  );
  return rows.map((row) => row.reference);
}
