import type { Branch } from "../fhir/search/query.ts";
import { instant, type TenantSession } from "./database.ts";
import { type Binder, searchConditions } from "./search-conditions.ts";

/** The people whose records are wanted, and how a type says whose it is. */
export type ExportPeople =
  /** By the column of the one person that a resource is about; everybody where no ids are named. */
  | { readonly by: "person"; readonly ids?: readonly string[] }
  /** By the person of anything that it points to as its target; everybody's where no ids are named. Deletions tell of none. */
  | { readonly by: "targets"; readonly ids?: readonly string[] }
  /** By any of these terms. */
  | { readonly by: "terms"; readonly terms: readonly string[] };

/** Which resources of one type go into an export. */
export interface ExportOfType {
  readonly type: string;
  /** Those changed after this. */
  readonly sinceMs?: number;
  readonly people?: ExportPeople;
  /** Searches of which each resource answers one; all of the type where absent. */
  readonly branches?: readonly Branch[];
}

/** A binder for what takes no parameters, as COPY: the values travel as settings of the transaction, and never in the text. */
export function settingsBinder(): { binder: Binder; settings: [name: string, value: string][] } {
  const settings: [string, string][] = [];
  return {
    settings,
    binder: {
      bind(value, cast) {
        const name = `tidegate.v${settings.length + 1}`;
        settings.push([name, Array.isArray(value) ? arrayText(value) : String(value)]);
        return `(select current_setting('${name}'))::${cast}`;
      },
    },
  };
}

function arrayText(values: readonly unknown[]): string {
  return `{${values.map((one) => `"${String(one).replace(/["\\]/g, "\\$&")}"`).join(",")}}`;
}

/** Sets what a `settingsBinder` has collected, for the rest of the transaction. */
export async function setSettings(session: TenantSession, settings: readonly (readonly [string, string])[]) {
  await session.query("select set_config(name, value, true) from unnest($1::text[], $2::text[]) as s(name, value)", [
    settings.map(([name]) => name),
    settings.map(([, value]) => value),
  ]);
}

/**
 * COPY's options by which it writes JSON texts as they are, each with a line break behind it: what would be quoted is a
 * line break, or one of these two, and JSON holds none of them unescaped where it was written on one line.
 */
export const jsonLines = "format csv, quote e'\\x01', delimiter e'\\x02'";

/** The bodies of one type, as SQL. */
export function exportedBodies(tenantId: number, wanted: ExportOfType, binder: Binder): string {
  return `select r.body from resource r where ${conditions(tenantId, wanted, binder)}`;
}

/** How many deletions a Bundle holds. */
const deletionsInBundle = 500;

/** Transaction Bundles that delete what was deleted of one type since then, as SQL: one text each. */
export function deletedBundles(tenantId: number, { branches: _, ...wanted }: ExportOfType, binder: Binder): string {
  return `select '{"resourceType":"Bundle","type":"transaction","entry":[' || string_agg(
      '{"request":{"method":"DELETE","url":"' || d.type || '/' || d.id || '"}}', ',' order by d.id) || ']}'
    from (select r.type, r.id, (row_number() over (order by r.id) - 1) / ${deletionsInBundle} as part
      from resource r where ${conditions(tenantId, wanted, binder, true)}) d
    group by d.part`;
}

function conditions(tenantId: number, wanted: ExportOfType, binder: Binder, deleted = false): string {
  const { type, sinceMs, people, branches } = wanted;
  const all = `r.tenant_id = ${binder.bind(tenantId, "int")} and r.type = ${binder.bind(type, "text")}`;
  return [
    `${all} and ${deleted ? "r.deleted" : "not r.deleted"}`,
    ...(branches === undefined ? [] : [`(${searchConditions(tenantId, branches, binder)})`]),
    ...(sinceMs === undefined ? [] : [`r.last_updated > ${binder.bind(instant(sinceMs), "timestamptz")}`]),
    ...(people === undefined ? [] : [ofPeople(tenantId, type, people, binder)]),
  ].join(" and ");
}

function ofPeople(tenantId: number, type: string, people: ExportPeople, binder: Binder): string {
  if (people.by === "person")
    return people.ids === undefined
      ? "r.patient_id is not null"
      : `r.patient_id = any(${binder.bind(people.ids, "text[]")})`;
  if (people.by === "targets") return ofTargets(tenantId, people.ids, binder);
  // Joined rather than looked up one by one: there may be terms of all people.
  return `r.id in (select t.id from resource t cross join unnest(t.terms) as has(term)
    join unnest(${binder.bind(people.terms, "bigint[]")}) as wanted(term) using (term)
    where t.tenant_id = ${binder.bind(tenantId, "int")} and t.type = ${binder.bind(type, "text")})`;
}

/** What is deleted has no body to look into. */
function ofTargets(tenantId: number, ids: readonly string[] | undefined, binder: Binder): string {
  const whose = ids === undefined ? "t.patient_id is not null" : `t.patient_id = any(${binder.bind(ids, "text[]")})`;
  return `case when r.deleted then false else exists (
    select from jsonb_array_elements(r.body::jsonb -> 'target') as told(target)
    join resource t on t.tenant_id = ${binder.bind(tenantId, "int")} and t.type = split_part(target ->> 'reference', '/', 1)
      and t.id = split_part(target ->> 'reference', '/', 2) and not t.deleted and ${whose}) end`;
}

/** Ids of the current resources of a type that show. */
export async function readIds(session: TenantSession, type: string): Promise<string[]> {
  const rows = await session.query<{ id: string }>(
    "select id from resource where tenant_id = $1 and type = $2 and not deleted order by id",
    [session.tenantId, type],
  );
  return rows.map(({ id }) => id);
}

/** Those of the ids under which a current resource of the type shows. */
export async function knownIds(session: TenantSession, type: string, ids: readonly string[]): Promise<Set<string>> {
  const rows = await session.query<{ id: string }>(
    "select id from resource where tenant_id = $1 and type = $2 and id = any($3::text[]) and not deleted",
    [session.tenantId, type, ids],
  );
  return new Set(rows.map(({ id }) => id));
}
