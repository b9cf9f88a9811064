import type { HistoryVersion } from "../fhir/history-bundle.ts";
import type { HistoryPlace, HistoryScope } from "../fhir/history-query.ts";
import { instant, type TenantSession } from "./database.ts";

/** Which versions a history lists; `after` is the last one of the page before. */
export interface HistoryWanted {
  readonly scope: HistoryScope;
  readonly sinceMs?: number;
  /** Versions current at some time in `[lowMs, highMs)`: made before its end and not replaced by its start. */
  readonly at?: { readonly lowMs: number; readonly highMs: number };
}

/** One page of a history, newest version first. */
export interface HistoryPage {
  readonly versions: readonly HistoryVersion[];
  readonly more: boolean;
}

type Bind = (value: unknown, cast: string) => string;

/**
 * One page in one statement. Current and replaced versions are two branches, each in the order of its index and cut to
 * the page, so a page costs as many rows as it shows however long the history is. A version that is replaced between
 * two pages moves from one branch to the other and keeps its place: its place is what it is, not where it lies.
 */
export async function readHistory(
  session: TenantSession,
  wanted: HistoryWanted,
  page: { readonly count: number; readonly after?: HistoryPlace },
): Promise<HistoryPage> {
  const { bind, values } = binder(session);
  const keys = orderOf(wanted.scope);
  const order = (alias: string, names = keys) => names.map((key) => `${alias}.${key} desc`).join(", ");
  const after = page.after === undefined ? "" : `and ${afterCondition(keys, page.after, bind)}`;
  const limit = bind(page.count + 1, "int");
  // The version before is worked out inside: see `replacedAt` below.
  const columns = "v.type, v.id, v.version, v.last_updated, v.deleted, v.body, v.version - 1 as before";
  const { current, replaced } = branches(wanted, bind);
  // The version is no key of the current ones, and of them none shares its id.
  const currentOrder = keys.length === 1 ? keys : keys.filter((key) => key !== "version");
  const rows = await session.query<HistoryVersion>(
    `select p.type, p.id, p.version, p.last_updated as "lastUpdatedMs", p.deleted, p.body,
       coalesce(b.deleted, false) as "afterDeletion"
     from (
       (select ${columns} ${current} ${after} order by ${order("v", currentOrder)} limit ${limit})
       union all
       (select ${columns} ${replaced} ${after} order by ${order("v")} limit ${limit})
       order by ${keys.map((key) => `${key} desc`).join(", ")} limit ${limit}
     ) p
     left join resource_version b
       on b.tenant_id = $1 and b.type = p.type and b.id = p.id and b.version = p.before and b.replaced_at >= p.last_updated
     order by ${order("p")}`,
    values,
  );
  return { versions: rows.slice(0, page.count), more: rows.length > page.count };
}

/** How many versions a history lists on all its pages; undefined when they are more than `most`. */
export async function countHistory(
  session: TenantSession,
  wanted: HistoryWanted,
  most: number,
): Promise<number | undefined> {
  const { bind, values } = binder(session);
  const { current, replaced } = branches(wanted, bind);
  const rows = await session.query<{ total: number }>(
    `select count(*)::int as total from (
       (select 1 ${current}) union all (select 1 ${replaced}) limit ${bind(most + 1, "int")}
     ) counted`,
    values,
  );
  const total = rows[0]?.total ?? 0;
  return total > most ? undefined : total;
}

function binder(session: TenantSession): { bind: Bind; values: unknown[] } {
  const values: unknown[] = [session.tenantId];
  return {
    values,
    bind(value, cast) {
      values.push(value);
      return `$${values.length}::${cast}`;
    },
  };
}

/** What orders a history, from the last column of its index that is not the same in every row. */
function orderOf(scope: HistoryScope): readonly string[] {
  // Within one resource the version alone: it grows by one with each write even where a clock was set back.
  if ("id" in scope) return ["version"];
  return "type" in scope ? ["last_updated", "id", "version"] : ["last_updated", "type", "id", "version"];
}

/** As a row comparison, which an index over these columns answers. */
function afterCondition(keys: readonly string[], place: HistoryPlace, bind: Bind): string {
  const bound: Readonly<Record<string, () => string>> = {
    last_updated: () => bind(instant(place.lastUpdatedMs), "timestamptz"),
    type: () => bind(place.type, "text"),
    id: () => bind(place.id, "text"),
    version: () => bind(place.version, "int"),
  };
  return `(${keys.map((key) => `v.${key}`).join(", ")}) < (${keys.map((key) => bound[key]?.()).join(", ")})`;
}

/** The two branches from their FROM on: the current versions, and the replaced ones with what replaced each where that matters. */
function branches(wanted: HistoryWanted, bind: Bind): { current: string; replaced: string } {
  const tests = [`v.tenant_id = $1`, ...scopeTests(wanted.scope, bind)];
  // A version is never replaced before it is made: older months need not be looked at.
  let months = "";
  if (wanted.sinceMs !== undefined) {
    const since = bind(instant(wanted.sinceMs), "timestamptz");
    tests.push(`v.last_updated >= ${since}`);
    months = ` and v.replaced_at >= ${since}`;
  }
  if (wanted.at === undefined) {
    const where = `where ${tests.join(" and ")}`;
    return { current: `from resource v ${where}`, replaced: `from resource_version v ${where}${months}` };
  }
  tests.push(`v.last_updated < ${bind(instant(wanted.at.highMs), "timestamptz")}`);
  const where = `where ${tests.join(" and ")}`;
  const same = (other: string) => `${other}.tenant_id = $1 and ${other}.type = v.type and ${other}.id = v.id`;
  // "The next above" and not "one more": + may overflow and so is not leak-proof, and row-level security would keep it
  // from the index; every version of the resource would be read for each.
  const replacedAt = `coalesce(
    (select n.last_updated from resource_version n where ${same("n")} and n.version > v.version order by n.version limit 1),
    (select c.last_updated from resource c where ${same("c")}))`;
  const low = bind(instant(wanted.at.lowMs), "timestamptz");
  return {
    current: `from resource v ${where}`,
    // Twice the same, but for versions from before `replaced_at`, which it keeps too many of.
    replaced: `from resource_version v ${where}${months} and v.replaced_at > ${low} and ${replacedAt} > ${low}`,
  };
}

function scopeTests(scope: HistoryScope, bind: Bind): string[] {
  // Types that were switched off since may still lie in the tables.
  if ("types" in scope) return [`v.type = any(${bind(scope.types, "text[]")})`];
  const type = `v.type = ${bind(scope.type, "text")}`;
  return "id" in scope ? [type, `v.id = ${bind(scope.id, "text")}`] : [type];
}
