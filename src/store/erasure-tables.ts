import type { TenantSession } from "./database.ts";
import { factTables } from "./fact-tables.ts";

/** Rows to delete of one table; `condition` speaks of alias `t`, the tenant `$1`, the person `$2` and the list `erasing`. */
interface DeletedRows {
  readonly table: string;
  readonly condition: string;
}

const named = (type: string, id: string) => `exists (select from erasing e where e.type = ${type} and e.id = ${id})`;

const fromErased = ({ source, from }: { source: string; from: readonly string[] }) =>
  `exists (select from erasing e where e.id = t.${source} and e.type in (${from.map((type) => `'${type}'`).join(", ")}))`;

/** What goes whole, in this order: what is derived first, resources last. */
export const deletedRows: readonly DeletedRows[] = [
  ...factTables.map((spec) => ({
    table: spec.table,
    condition: spec.patient === "patient_id" ? `t.patient_id = $2 or ${fromErased(spec)}` : fromErased(spec),
  })),
  { table: "patient_summary", condition: "t.patient_id = $2" },
  // Files of many people are copies, quickly made again: whoever asks for one meets 404 and exports anew.
  { table: "bulk_chunk", condition: "true" },
  { table: "bulk_file", condition: "true" },
  { table: "bulk_job", condition: "true" },
  // The bytes go with the upload beside it, which also knows that they were erased.
  { table: "received_message", condition: "$2 = any(t.patient_ids)" },
  { table: "event_outbox", condition: `t.patient_id = $2 or ${named("t.type", "t.id")}` },
  { table: "event_log", condition: `t.patient_id = $2 or ${named("t.type", "t.id")}` },
  { table: "subscription_event", condition: `t.patient_id = $2 or ${named("t.type", "t.id")}` },
  { table: "subscription_state", condition: named("'Subscription'", "t.subscription_id") },
  { table: "threshold_setting", condition: named("'CarePlan'", "t.plan_id") },
  { table: "resource_label", condition: `t.patient_id = $2 or ${named("t.type", "t.id")}` },
  { table: "resource_string", condition: named("t.type", "t.id") },
  { table: "resource_date", condition: named("t.type", "t.id") },
  { table: "resource_version", condition: named("t.type", "t.id") },
  { table: "resource", condition: named("t.type", "t.id") },
];

/** Tables whose rows stay, and what is done with them at an erasure. */
export const keptRows: Readonly<Record<string, string>> = {
  received_upload: "hash and counts stay",
  received_content: "that of the person's uploads is deleted",
  refused_record: "those of the person are deleted, with the upload's content",
  client: "one that sees this person alone is disabled and loses its name and keys",
  access_token: "those of such a client are withdrawn",
  used_assertion: "names no person",
  audit_entry: "who did what stays; it names the person by id",
  audit_pending: "the same, on its way there",
  audit_removal: "names no person",
  service_key: "names no person",
  event_head: "names no person",
  rebuild_place: "names at most the id of one resource, and for the length of a rebuild",
  population_release:
    "counts of many, frozen when they were published: no row tells of one person, and none can be changed",
};

/** Tables of this schema with a tenant, from the catalogue; `namesPatients` where a column is called for one or several. */
export async function tenantTables(session: TenantSession): Promise<{ name: string; namesPatients: boolean }[]> {
  return session.query(
    `select c.relname::text as name, exists (select from pg_attribute p where p.attrelid = c.oid and not p.attisdropped
         and p.attname in ('patient_id', 'patient_ids')) as "namesPatients"
     from pg_class c join pg_attribute a on a.attrelid = c.oid and a.attname = 'tenant_id'
     where c.relkind in ('r', 'p') and not c.relispartition and c.relname <> 'tenant' and c.relnamespace = current_schema()::regnamespace
       and $1::int is not null
     order by c.relname`,
    [session.tenantId],
  );
}

/** Tables with a tenant of which nobody has said yet what an erasure does with them. */
export async function unhandledTables(session: TenantSession): Promise<string[]> {
  const handled = new Set([...deletedRows.map(({ table }) => table), ...Object.keys(keptRows)]);
  return (await tenantTables(session)).map(({ name }) => name).filter((name) => !handled.has(name));
}
