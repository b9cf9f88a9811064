import type { MatchKeys } from "../fhir/match-keys.ts";
import { instant, type TenantSession } from "./database.ts";
import { type StoredResource, storedColumns } from "./resource.ts";

/** Candidates for a match: at most the number asked for; `more` says that there are others. */
export interface MatchCandidates {
  readonly candidates: readonly StoredResource[];
  readonly more: boolean;
}

/**
 * One part for each way to find a candidate, the surest first. Every part is bounded by itself, so that a common name
 * cannot crowd out an equal identifier, nor cost more than its first rows.
 */
const statement = `with wanted_day as (
    select * from unnest($9::timestamptz[], $10::timestamptz[]) as w(low, high)
  ), found as (
    (select id, 1 as rank from resource
     where tenant_id = $1 and type = 'Patient' and not deleted and terms && $2::bigint[] order by id limit $11)
    union all
    (select distinct d.id, 2 from wanted_day w
     join resource_date d on d.tenant_id = $1 and d.key = any($8::bigint[]) and d.low >= w.low and d.low < w.high
     join resource_string s on s.tenant_id = $1 and s.type = d.type and s.id = d.id
     where d.type = 'Patient' and ((s.key = any($4::bigint[] || $5::bigint[]) and s.folded = any($6::text[]))
       or (s.key = any($12::bigint[]) and s.folded = any($7::text[])))
     order by d.id limit $11)
    union all
    (select id, 3 from resource
     where tenant_id = $1 and type = 'Patient' and not deleted and terms && $3::bigint[] order by id limit $11)
    union all
    (select distinct f.id, 4 from resource_string f
     join resource_string g on g.tenant_id = $1 and g.type = f.type and g.id = f.id
     where f.tenant_id = $1 and f.type = 'Patient' and f.key = any($4::bigint[]) and f.folded = any($6::text[])
       and g.key = any($5::bigint[]) and g.folded = any($6::text[])
     order by f.id limit $11)
  ), ranked as (
    select id, min(rank) as rank from found group by id
  )
  select ${storedColumns("r")}
  from ranked join resource r on r.tenant_id = $1 and r.type = 'Patient' and r.id = ranked.id
  where not r.deleted order by ranked.rank, r.id limit $11`;

/** Finds patients that may be the one looked for, in one statement; those with an equal identifier come first. */
export async function matchCandidates(session: TenantSession, keys: MatchKeys, most: number): Promise<MatchCandidates> {
  const rows = await session.query<StoredResource>(statement, [
    session.tenantId,
    keys.identifierTerms,
    keys.contactTerms,
    keys.familyKeys,
    keys.givenKeys,
    keys.names,
    keys.postcodes,
    keys.birthDateKeys,
    keys.birthDates.map(({ lowMs }) => instant(lowMs)),
    keys.birthDates.map(({ highMs }) => instant(highMs)),
    most + 1,
    keys.postcodeKeys,
  ]);
  return { candidates: rows.slice(0, most), more: rows.length > most };
}
