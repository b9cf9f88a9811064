import type { TenantSession } from "./database.ts";

/** One profile, security label or tag in use, as it was written in some resource. */
export interface LabelInUse {
  readonly list: "profile" | "security" | "tag";
  /** JSON text of the list's entry: a string for a profile, a Coding for the other two. */
  readonly text: string;
}

/**
 * The profiles, security labels and tags of the current resources of these types, each once by url or by system and
 * code, sorted; at most `limit` and one more. Empty where none is in use. `terms` are the presence terms of the three
 * lists under those types: by their index only resources that carry any are looked at.
 */
export async function labelsInUse(
  session: TenantSession,
  types: readonly string[],
  terms: readonly string[],
  limit: number,
): Promise<LabelInUse[]> {
  return session.query<LabelInUse>(
    `with metas as materialized (
       select (r.body::json -> 'meta')::jsonb as meta from resource r
       where r.tenant_id = $1 and r.type = any($2::text[]) and not r.deleted and r.terms && $3::bigint[]
     ), entries as (
       select 'profile' as list, e.entry, e.entry #>> '{}' as identity
       from metas, jsonb_array_elements(metas.meta -> 'profile') as e(entry) where e.entry <> 'null'::jsonb
       union all
       select l.list, e.entry, jsonb_build_array(e.entry -> 'system', e.entry -> 'code')::text
       from metas, (values ('security'), ('tag')) as l(list), jsonb_array_elements(metas.meta -> l.list) as e(entry)
     )
     select distinct on (list, identity collate "C") list, entry::text as text
     from entries order by list, identity collate "C", entry::text collate "C" limit $4`,
    [session.tenantId, types, terms, limit + 1],
  );
}
