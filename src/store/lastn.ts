import type { Branch } from "../fhir/search/query.ts";
import type { TenantSession } from "./database.ts";
import { type StoredResource, storedColumns } from "./resource.ts";
import { newBinder, searchConditions } from "./search-conditions.ts";

// A group's keys are its codings as system and code, or the text where there is no coding: 'a' with 'a' and 'c' is one group,
// however long such a chain is, so every key is followed to all that it shares an Observation with. What is followed are the
// distinct sets of keys, a few, and not the Observations. `json` reads only as far as it must, and takes any number.
const statement = (
  where: string,
  tenant: string,
  max: string,
  limit: string,
) => `with recursive matched as materialized (
    select r.id, r.started_at, r.body::json -> 'code' as code from resource r where ${where}
  ), keyed as materialized (
    select m.id, m.started_at, coalesce(
      (select array_agg(distinct json_build_array(c ->> 'system', c ->> 'code')::text)
        from json_array_elements(m.code -> 'coding') as c where c ->> 'code' is not null),
      array[json_build_array(m.code ->> 'text')::text]) as keys
    from matched m
  ), sets as materialized (
    select distinct keys from keyed
  ), reached(key, other) as (
    select k, k from sets, unnest(sets.keys) as k
    union
    select reached.key, k from reached join sets on reached.other = any(sets.keys), unnest(sets.keys) as k
  ), groups as (
    select key, min(other collate "C") as name from reached group by key
  ), ranked as (
    select keyed.id, keyed.started_at,
      rank() over (partition by groups.name order by keyed.started_at desc nulls last) as place
    from keyed join groups on groups.key = keyed.keys[1]
  ), newest as (
    select id, started_at from ranked where place <= ${max} order by started_at desc nulls last, id limit ${limit}
  )
  select ${storedColumns("r")}
  from newest join resource r on r.tenant_id = ${tenant} and r.type = 'Observation' and r.id = newest.id
  order by newest.started_at desc nulls last, newest.id`;

/**
 * The newest `max` Observations of each code among those that answer the branches, newest first, in one statement; with
 * those of the same time as the last of them (https://hl7.org/fhir/R4/observation-operation-lastn.html). Without a time
 * they are the oldest. At most `limit` and one more. It reads the code of every match, so it costs what they are.
 */
export async function lastObservations(
  session: TenantSession,
  branches: readonly Branch[],
  max: number,
  limit: number,
): Promise<StoredResource[]> {
  const { binder, values } = newBinder();
  const where = searchConditions(session.tenantId, branches, binder);
  const tenant = binder.bind(session.tenantId, "int");
  const text = statement(where, tenant, binder.bind(max, "int"), binder.bind(limit + 1, "int"));
  return session.query<StoredResource>(text, values);
}
