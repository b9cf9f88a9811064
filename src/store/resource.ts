import type { IndexValues } from "../fhir/search/index-values.ts";
import { instant, type TenantSession, type Written } from "./database.ts";
import { noting } from "./event.ts";
import { indexColumns, indexInput, indexParameterCount, indexParameters } from "./index-columns.ts";

/** A stored version: `body` is the resource's JSON text as it is answered. */
export interface StoredResource {
  readonly type: string;
  readonly id: string;
  readonly version: number;
  readonly lastUpdatedMs: number;
  readonly deleted: boolean;
  readonly body: string;
}

/** A version to store, with what search asks of it. */
export interface NewResource extends StoredResource {
  readonly index: IndexValues;
}

/** Thrown when another writer changed the same resource after it was read; the caller may read again and retry. */
export class ConcurrentWrite extends Error {}

/** Whether a failed write may succeed when it is tried again: another was quicker, or the two waited for each other. */
export function isRetryable(error: unknown): boolean {
  return (
    error instanceof ConcurrentWrite || ["40001", "40P01"].includes((error as { code?: string } | null)?.code ?? "")
  );
}

/** What a statement selects of a resource to answer StoredResource; `row` is the alias of its table. */
export function storedColumns(row: string): string {
  const of = (column: string) => `${row}.${column}`;
  return [
    of("type"),
    of("id"),
    of("version"),
    `${of("last_updated")} as "lastUpdatedMs"`,
    of("deleted"),
    of("body"),
  ].join(", ");
}

/** `Type/id`, by which resources point to each other. */
export function referenceOf({ type, id }: Pick<StoredResource, "type" | "id">): string {
  return `${type}/${id}`;
}

const columns = storedColumns("r");

// A lookup of many names each by itself (lateral, limit 1), so that it is a look into the primary key each, however little the
// planner knows of a table that grows.

/** The current version, deleted ones included; undefined when there never was one. */
export async function readResource(
  session: TenantSession,
  type: string,
  id: string,
): Promise<StoredResource | undefined> {
  const rows = await session.query<StoredResource>(
    `select ${columns} from resource r where tenant_id = $1 and type = $2 and id = $3`,
    [session.tenantId, type, id],
  );
  return rows[0];
}

/** One version, current or replaced. */
export async function readVersion(
  session: TenantSession,
  type: string,
  id: string,
  version: number,
): Promise<StoredResource | undefined> {
  const where = "where tenant_id = $1 and type = $2 and id = $3 and version = $4";
  const rows = await session.query<StoredResource>(
    `select ${columns} from resource r ${where} union all select ${columns} from resource_version r ${where} limit 1`,
    [session.tenantId, type, id, version],
  );
  return rows[0];
}

/** Current versions of these `Type/id` references; missing and deleted ones are left out. */
export async function readMany(session: TenantSession, references: readonly string[]): Promise<StoredResource[]> {
  if (references.length === 0) return [];
  const { types, ids } = split(references);
  return session.query<StoredResource>(
    `select ${columns} from ${eachOf("$2", "$3")} cross join lateral (
       select * from resource where tenant_id = $1 and type = wanted.type and id = wanted.id and not deleted limit 1) r`,
    [session.tenantId, types, ids],
  );
}

/** Locks the current versions of these `Type/id` references until the transaction ends, always in the same order. */
export async function lockResources(session: TenantSession, references: readonly string[]): Promise<StoredResource[]> {
  if (references.length === 0) return [];
  const { types, ids } = split(references);
  return session.query<StoredResource>(
    `select ${columns} from ${eachOf("$2", "$3")} cross join lateral (
       select * from resource where tenant_id = $1 and type = wanted.type and id = wanted.id limit 1 for update) r`,
    [session.tenantId, types, ids],
  );
}

/** Two parallel arrays as the relation `wanted(type, id)`, each pair once, in one order for all who lock. */
export function eachOf(types: string, ids: string): string {
  return `(select distinct type, id from unnest(${types}::text[], ${ids}::text[]) as w(type, id) order by type, id) as wanted`;
}

/** `Type/id` references as the two arrays that `eachOf` takes. */
export function split(references: readonly string[]): { types: string[]; ids: string[] } {
  const pairs = references.map((reference) => reference.split("/"));
  return { types: pairs.map((pair) => pair[0] ?? ""), ids: pairs.map((pair) => pair[1] ?? "") };
}

/** The statement's `input` relation: one row per new version, index values beside it, bodies as lines of one text. */
const index = indexInput(7);
const [bodies, afterIndex] = [7 + indexParameterCount, 8 + indexParameterCount];
const inputRows = `rows from (unnest($2::text[], $3::text[], $4::int[], $5::timestamptz[], $6::boolean[], ${index.arrays}),
    string_to_table($${bodies}::text, E'\\n')) as i(type, id, version, last_updated, deleted, ${index.names}, body)`;

const resourceColumns = `tenant_id, type, id, version, last_updated, deleted, ${indexColumns}, body`;

const inputValues = `$1::int, i.type, i.id, i.version, i.last_updated, i.deleted, ${index.values}, i.body`;

const stringArrays = parameterArrays(afterIndex, ["bigint", "text", "text", "text", "text"]);
const dateArrays = parameterArrays(afterIndex + 5, ["bigint", "timestamptz", "timestamptz", "text", "text"]);

function parameterArrays(first: number, types: readonly string[]): string {
  return types.map((type, i) => `$${first + i}::${type}[]`).join(", ");
}

// Index rows follow the resource rows that this statement really wrote.
const indexRows = `strings as (
    insert into resource_string (tenant_id, key, folded, exact, type, id)
    select $1::int, s.key, s.folded, s.exact, s.type, s.id
    from unnest(${stringArrays}) as s(key, folded, exact, type, id)
    join saved using (type, id)
  ), dates as (
    insert into resource_date (tenant_id, key, low, high, type, id)
    select $1::int, d.key, d.low, d.high, d.type, d.id
    from unnest(${dateArrays}) as d(key, low, high, type, id)
    join saved using (type, id)
  ), ${noting("saved")}
  select type, id, patient_id as "patientId" from saved`;

const createStatement = `with saved as (
    insert into resource (${resourceColumns}) select ${inputValues} from ${inputRows}
    on conflict (tenant_id, type, id) do nothing
    returning type, id, patient_id, version, last_updated, deleted
  ), ${indexRows}`;

const replaceStatement = `with input as materialized (select * from ${inputRows}
  ), archived as (
    insert into resource_version (tenant_id, type, id, version, last_updated, deleted, body, replaced_at)
    select r.tenant_id, r.type, r.id, r.version, r.last_updated, r.deleted, r.body, greatest(i.last_updated, r.last_updated)
    from input i cross join lateral (
      select * from resource where tenant_id = $1 and type = i.type and id = i.id limit 1) r
  ), gone_strings as (
    delete from resource_string s using input i where s.tenant_id = $1 and s.type = i.type and s.id = i.id and i.version > 1
  ), gone_dates as (
    delete from resource_date d using input i where d.tenant_id = $1 and d.type = i.type and d.id = i.id and i.version > 1
  ), saved as (
    insert into resource as r (${resourceColumns}) select ${inputValues} from input i
    on conflict (tenant_id, type, id) do update set version = excluded.version, last_updated = excluded.last_updated,
      deleted = excluded.deleted,
      -- A deleted resource keeps whose it was, and when: a look back at an earlier day finds it.
      patient_id = case when excluded.deleted then r.patient_id else excluded.patient_id end,
      started_at = case when excluded.deleted then r.started_at else excluded.started_at end,
      ended_at = case when excluded.deleted then r.ended_at else excluded.ended_at end, terms = excluded.terms, quantity_keys = excluded.quantity_keys,
      quantity_units = excluded.quantity_units, quantity_lows = excluded.quantity_lows,
      quantity_highs = excluded.quantity_highs, quantity_places = excluded.quantity_places,
      place_terms = excluded.place_terms, body = excluded.body
    where r.version = excluded.version - 1
    returning type, id, patient_id, version, last_updated, deleted
  ), ${indexRows}`;

/**
 * Stores first versions, all in one statement; answers the `Type/id` of those that were new.
 * A resource that exists already is left as it is, so a resend costs one look at the primary key.
 */
export async function createResources(session: TenantSession, resources: readonly NewResource[]): Promise<Set<string>> {
  if (resources.length === 0) return new Set();
  const rows = await session.query<SavedRow>(createStatement, parameters(session, resources));
  for (const row of rows) session.written.push(written(row, "create"));
  return new Set(rows.map(referenceOf));
}

/**
 * Stores first versions in one statement and next ones in another, keeping the replaced ones in `resource_version`.
 * Throws ConcurrentWrite when any current version is not the one before: nothing of the transaction may be kept then.
 */
export async function saveResources(session: TenantSession, resources: readonly NewResource[]): Promise<void> {
  const first = resources.filter((one) => one.version === 1);
  const next = resources.filter((one) => one.version > 1);
  const saved = await Promise.all([
    first.length === 0 ? [] : session.query<SavedRow>(createStatement, parameters(session, first)),
    next.length === 0 ? [] : session.query<SavedRow>(replaceStatement, parameters(session, next)),
  ]);
  const rows = saved.flat();
  if (rows.length !== resources.length) throw new ConcurrentWrite("a resource changed while it was being written");
  const sent = new Map(resources.map((resource) => [referenceOf(resource), resource]));
  for (const row of rows) {
    const { deleted = false, version = 1 } = sent.get(referenceOf(row)) ?? {};
    session.written.push(written(row, deleted ? "delete" : version === 1 ? "create" : "update"));
  }
}

interface SavedRow {
  readonly type: string;
  readonly id: string;
  readonly patientId: string | null;
}

function written(row: SavedRow, action: Written["action"]): Written {
  return { reference: referenceOf(row), action, ...(row.patientId === null ? {} : { patientId: row.patientId }) };
}

function parameters(session: TenantSession, resources: readonly NewResource[]): unknown[] {
  const strings = resources.flatMap((r) => r.index.strings.map((entry) => ({ ...entry, type: r.type, id: r.id })));
  const dates = resources.flatMap((r) => r.index.dates.map((entry) => ({ ...entry, type: r.type, id: r.id })));
  return [
    session.tenantId,
    resources.map((r) => r.type),
    resources.map((r) => r.id),
    resources.map((r) => r.version),
    resources.map((r) => instant(r.lastUpdatedMs)),
    resources.map((r) => r.deleted),
    ...indexParameters(resources.map((r) => r.index)),
    resources.map(bodyLine).join("\n"),
    strings.map((s) => s.key),
    strings.map((s) => s.folded),
    strings.map((s) => s.exact),
    strings.map((s) => s.type),
    strings.map((s) => s.id),
    dates.map((d) => d.key),
    dates.map((d) => instant(d.lowMs)),
    dates.map((d) => instant(d.highMs)),
    dates.map((d) => d.type),
    dates.map((d) => d.id),
  ];
}

/** JSON that was written here has no line breaks: inside strings they are escaped (RFC 8259, 7). */
function bodyLine({ body, type }: NewResource): string {
  if (body.includes("\n")) throw new Error(`the body of a ${type} has line breaks`);
  return body;
}
