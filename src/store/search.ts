import type { Clause, RangeTest, SearchQuery, SortKey } from "../fhir/search/query.ts";
import { instant, type TenantSession } from "./database.ts";
import type { StoredResource } from "./resource.ts";

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

/** Collects parameters; each is bound, never spliced into the text. */
interface Binder {
  bind(value: unknown, cast: string): string;
}

/** Finds one page in one statement; a second counts, only when a total is asked for. */
export async function searchResources(session: TenantSession, query: SearchQuery): Promise<SearchPage> {
  const { binder, values } = newBinder();
  const where = conditions(session.tenantId, query, binder);
  const total = query.total === "none" ? undefined : await countMatches(session, where, [...values]);
  if (query.count === 0) return { matches: [], more: false, ...(total === undefined ? {} : { total }) };
  const sortTexts = query.sort.map((key) => sortExpression(key, binder));
  const after = query.after ? `and (${afterCondition(query.sort, sortTexts, query.after, binder)})` : "";
  const order = query.sort.map((key, i) => `${sortTexts[i]} ${key.descending ? "desc" : "asc"} nulls last`).join(", ");
  const rows = await session.query<StoredResource & { sortValues: (string | null)[] }>(
    `select r.type, r.id, r.version, r.last_updated as "lastUpdatedMs", r.deleted, r.body,
       array[${sortTexts.map((text) => `(${text})::text`).join(", ")}] as "sortValues"
     from resource r where ${where} ${after} order by ${order} limit ${binder.bind(query.count + 1, "int")}`,
    values,
  );
  return {
    matches: rows.slice(0, query.count),
    more: rows.length > query.count,
    ...(total === undefined ? {} : { total }),
  };
}

/** Current resources of `type` that carry any of these terms, for `_revinclude`; at most `limit`. */
export async function resourcesWithTerms(
  session: TenantSession,
  type: string,
  terms: readonly string[],
  limit: number,
): Promise<StoredResource[]> {
  if (terms.length === 0) return [];
  return session.query<StoredResource>(
    `select type, id, version, last_updated as "lastUpdatedMs", deleted, body from resource
     where tenant_id = $1 and type = $2 and not deleted and terms && $3::bigint[] order by id limit $4`,
    [session.tenantId, type, terms, limit],
  );
}

async function countMatches(session: TenantSession, where: string, values: unknown[]): Promise<number> {
  const rows = await session.query<{ total: string }>(
    `select count(*) as total from resource r where ${where}`,
    values,
  );
  return Number(rows[0]?.total ?? 0);
}

function newBinder(): { binder: Binder; values: unknown[] } {
  const values: unknown[] = [];
  return {
    values,
    binder: {
      bind(value, cast) {
        values.push(value);
        return `$${values.length}::${cast}`;
      },
    },
  };
}

function conditions(tenantId: number, query: SearchQuery, binder: Binder): string {
  const base = `r.tenant_id = ${binder.bind(tenantId, "int")} and r.type = ${binder.bind(query.type, "text")} and not r.deleted`;
  return [base, ...query.clauses.map((clause) => `(${condition(clause, binder)})`)].join(" and ");
}

function condition(clause: Clause, binder: Binder): string {
  switch (clause.kind) {
    case "id":
      return oneOf("r.id", clause.anyOf, binder);
    case "patient":
      return oneOf("r.patient_id", clause.anyOf, binder);
    case "terms":
      return `${clause.negate ? "not " : ""}(r.terms && ${binder.bind(clause.anyOf, "bigint[]")})`;
    case "string":
      return stringCondition(clause, binder);
    case "date":
      return dateCondition(clause, binder);
    case "quantity": {
      const tests = clause.anyOf.map((test) => {
        const unit = test.unit === undefined ? "" : `q.unit = ${binder.bind(test.unit, "bigint")} and `;
        return `(${unit}${rangeCondition(test, "q.low", "q.high", "float8", binder)})`;
      });
      return `exists (select 1 from unnest(r.quantity_keys, r.quantity_units, r.quantity_lows, r.quantity_highs) as q(key, unit, low, high)
        where q.key = any(${binder.bind(clause.keys, "bigint[]")}) and (${tests.join(" or ")}))`;
    }
  }
}

/** A single value as equality, so that an index may also give the order. */
function oneOf(column: string, values: readonly string[], binder: Binder): string {
  return values.length === 1
    ? `${column} = ${binder.bind(values[0], "text")}`
    : `${column} = any(${binder.bind(values, "text[]")})`;
}

function stringCondition(clause: Extract<Clause, { kind: "string" }>, binder: Binder): string {
  const tests = clause.anyOf.map((value) => {
    const bound = binder.bind(value, "text");
    if (clause.match === "exact") return `s.exact = ${bound}`;
    if (clause.match === "contains") return `strpos(s.folded, ${bound}) > 0`;
    // The range lets the index serve a prefix under row-level security, where LIKE may not come near it.
    return `(s.folded >= ${bound} and s.folded < ${bound} || chr(1114111))`;
  });
  return `r.id in (select s.id from resource_string s where s.tenant_id = r.tenant_id and s.type = r.type
    and s.key = any(${binder.bind(clause.keys, "bigint[]")}) and (${tests.join(" or ")}))`;
}

function dateCondition(clause: Extract<Clause, { kind: "date" }>, binder: Binder): string {
  const either = (low: string, high: string) =>
    clause.anyOf.map((test) => `(${rangeCondition(test, low, high, "timestamptz", binder)})`).join(" or ");
  if (clause.column === "hot") return `r.started_at is not null and (${either("r.started_at", "r.ended_at")})`;
  if (clause.column === "last-updated") {
    return either("r.last_updated", "(r.last_updated + interval '1 millisecond')");
  }
  return `r.id in (select d.id from resource_date d where d.tenant_id = r.tenant_id and d.type = r.type
    and d.key = any(${binder.bind(clause.column.keys, "bigint[]")}) and (${either("d.low", "d.high")}))`;
}

/** The SQL twin of fhir/search/compare.ts; a test holds the two together over the table of the R4 search page. */
function rangeCondition(
  test: RangeTest,
  low: string,
  high: string,
  cast: "timestamptz" | "float8",
  binder: Binder,
): string {
  const value = (number: number) => binder.bind(cast === "float8" ? number : instant(number), cast);
  const [l, h] = [() => value(test.low), () => value(test.high)];
  const inside = () => `${low} >= ${l()} and ${high} <= ${h()}`;
  switch (test.prefix) {
    case "eq":
      return inside();
    case "ne":
      return `not (${inside()})`;
    case "gt":
      return `${high} > ${h()}`;
    case "lt":
      return `${low} < ${l()}`;
    case "ge":
      return `${high} > ${h()} or (${inside()})`;
    case "le":
      return `${low} < ${l()} or (${inside()})`;
    case "sa":
      return cast === "float8" ? `${low} > ${h()}` : `${low} >= ${h()}`;
    case "eb":
      return cast === "float8" ? `${high} < ${l()}` : `${high} <= ${l()}`;
    case "ap":
      return cast === "float8" ? `${low} <= ${h()} and ${high} >= ${l()}` : `${low} < ${h()} and ${high} > ${l()}`;
  }
}

function sortExpression(key: SortKey, binder: Binder): string {
  if (key.by === "id") return "r.id";
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
