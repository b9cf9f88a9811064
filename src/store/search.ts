import type { Branch, SearchQuery, SortKey } from "../fhir/search/query.ts";
import type { TenantSession } from "./database.ts";
import { type StoredResource, storedColumns } from "./resource.ts";
import { type Binder, isNarrow, newBinder, searchConditions } from "./search-conditions.ts";
import type { Planning } from "./tenant-session.ts";

/** One match, with the values of the sort keys that a next page starts from. */
export interface SearchMatch extends StoredResource {
  readonly sortValues: readonly (string | null)[];
}

/** One page: `matches` holds at most `count`; `more` says whether a next page has any. */
export interface SearchPage {
  readonly matches: readonly SearchMatch[];
  readonly more: boolean;
  readonly total?: number;
}

/** Finds one page in one statement; a second counts, only when a total is asked for. */
export async function searchResources(session: TenantSession, query: SearchQuery): Promise<SearchPage> {
  const { binder, values } = newBinder();
  const where = searchConditions(session.tenantId, query.branches, binder);
  const total =
    query.total === "none" ? undefined : await countMatches(session, where, [...values], planningOf(query.branches));
  if (query.count === 0) return { matches: [], more: false, ...(total === undefined ? {} : { total }) };
  const sortTexts = query.sort.map((key) => sortExpression(key, binder));
  const after = query.after ? `and (${afterCondition(query.sort, sortTexts, query.after, binder)})` : "";
  const order = query.sort.map((key, i) => `${sortTexts[i]} ${directionOf(key, query.branches)}`).join(", ");
  const rows = await session.query<StoredResource & { sortValues: (string | null)[] }>(
    `select ${storedColumns("r")},
       array[${sortTexts.map((text) => `(${text})::text`).join(", ")}] as "sortValues"
     from resource r where ${where} ${after} order by ${order} limit ${binder.bind(query.count + 1, "int")}`,
    values,
    planningOf(query.branches),
  );
  return {
    matches: rows.slice(0, query.count),
    more: rows.length > query.count,
    ...(total === undefined ? {} : { total }),
  };
}

/** Current resources of these types that carry any of their terms, for `_revinclude`; at most `limit`, in one statement. */
export async function resourcesWithTerms(
  session: TenantSession,
  wanted: readonly { readonly type: string; readonly terms: readonly string[] }[],
  limit: number,
): Promise<StoredResource[]> {
  const asked = wanted.filter(({ terms }) => terms.length > 0);
  if (asked.length === 0) return [];
  const { binder, values } = newBinder();
  const branches = asked.map(
    ({ type, terms }) => `(r.type = ${binder.bind(type, "text")} and r.terms && ${binder.bind(terms, "bigint[]")})`,
  );
  return session.query<StoredResource>(
    `select ${storedColumns("r")} from resource r
     where r.tenant_id = ${binder.bind(session.tenantId, "int")} and not r.deleted and (${branches.join(" or ")})
     order by r.type, r.id limit ${binder.bind(limit, "int")}`,
    values,
  );
}

async function countMatches(session: TenantSession, where: string, values: unknown[], plan: Planning): Promise<number> {
  const rows = await session.query<{ total: string }>(
    `select count(*) as total from resource r where ${where}`,
    values,
    plan,
  );
  return Number(rows[0]?.total ?? 0);
}

function planningOf(branches: readonly Branch[]): Planning {
  return branches.every(({ clauses }) => isNarrow(clauses)) ? "once" : "each time";
}

/** Missing values last. Where none is missing it does not matter, and the index of a patient's times gives the order itself. */
function directionOf(key: SortKey, branches: readonly Branch[]): string {
  if (key.descending) return "desc nulls last";
  const hasTime = branches.every(({ clauses }) => clauses.some((one) => one.kind === "date" && one.column === "hot"));
  return key.by === "hot-date" && hasTime ? "asc nulls first" : "asc nulls last";
}

function sortExpression(key: SortKey, binder: Binder): string {
  if (key.by === "id") return "r.id";
  if (key.by === "type") return "r.type";
  if (key.by === "last-updated") return "r.last_updated";
  if (key.by === "hot-date") return "r.started_at";
  const edge = key.descending ? "max" : "min";
  if ("dateKeys" in key.by) {
    return `(select ${edge}(d.low) from resource_date d where d.tenant_id = r.tenant_id and d.type = r.type and d.id = r.id
      and d.key = any(${binder.bind(key.by.dateKeys, "bigint[]")}))`;
  }
  return `(select ${edge}(s.folded) from resource_string s where s.tenant_id = r.tenant_id and s.type = r.type and s.id = r.id
    and s.key = any(${binder.bind(key.by.stringKeys, "bigint[]")}))`;
}

/** Rows that come after the last one of the page before, missing values last in either direction. */
function afterCondition(
  sort: readonly SortKey[],
  texts: readonly string[],
  after: readonly (string | number | null)[],
  binder: Binder,
): string {
  const branches: string[] = [];
  const equal: string[] = [];
  sort.forEach((key, i) => {
    const text = texts[i] ?? "";
    const value = after[i] ?? null;
    const isTime =
      key.by === "last-updated" || key.by === "hot-date" || (typeof key.by === "object" && "dateKeys" in key.by);
    if (value === null) {
      equal.push(`${text} is null`);
      return;
    }
    const bound = binder.bind(value, isTime ? "timestamptz" : "text");
    branches.push([...equal, `(${text} ${key.descending ? "<" : ">"} ${bound} or ${text} is null)`].join(" and "));
    equal.push(`${text} = ${bound}`);
  });
  return branches.length === 0 ? "false" : branches.map((branch) => `(${branch})`).join(" or ");
}
