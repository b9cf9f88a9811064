import type { TenantSession } from "./database.ts";

/** Where a text still stands: `Type/id` for resources (with the version where it is replaced), else the table and how many rows. */
export type Mention = string;

/**
 * The trail stays as it is, and so do released figures: of names they hold those of places and of who signed, and a namesake
 * there could never be mended.
 */
const unsearched = ["audit_entry", "audit_pending", "population_release"];

interface TextColumns {
  readonly name: string;
  readonly columns: readonly string[];
}

/** Every column of text or JSON of every table with a tenant, from the catalogue. */
async function textColumns(session: TenantSession): Promise<TextColumns[]> {
  return session.query<TextColumns>(
    `select c.relname::text as name, array_agg(a.attname::text order by a.attnum) as columns
     from pg_class c join pg_attribute a on a.attrelid = c.oid and a.attnum > 0 and not a.attisdropped
     where c.relkind in ('r', 'p') and not c.relispartition and c.relnamespace = current_schema()::regnamespace and c.relname <> all($2::text[])
       and a.atttypid in ('text'::regtype, 'text[]'::regtype, 'varchar'::regtype, 'json'::regtype, 'jsonb'::regtype)
       and exists (select from pg_attribute t where t.attrelid = c.oid and t.attname = 'tenant_id') and $1::int is not null
     group by c.relname order by c.relname`,
    [session.tenantId, unsearched],
  );
}

/**
 * Where any of these words still stands in the tenant, as a word of its own and whatever its case; sorted. It reads every
 * text of every table but the audit trail's and released figures.
 */
export async function findMentions(session: TenantSession, words: readonly string[]): Promise<Mention[]> {
  if (words.length === 0) return [];
  const found: Mention[] = [];
  for (const { name, columns } of await textColumns(session)) {
    const what =
      name === "resource" || name === "resource_version"
        ? `type || '/' || id${name === "resource" ? "" : " || ' version ' || version"}`
        : `'${name}'`;
    const rows = await session.query<{ what: string; rows: number }>(
      `select ${what} as what, count(*)::int as rows
       from ${name} t, lateral (select lower(concat_ws(E'\\n', ${columns.map((one) => `t.${one}::text`).join(", ")})) as text) x
       where t.tenant_id = $1 and exists (
         select from unnest($2::text[], $3::text[]) as w(word, pattern) where position(lower(w.word) in x.text) > 0 and x.text ~ lower(w.pattern))
       group by 1 order by 1`,
      [session.tenantId, words, words.map(patternOf)],
    );
    for (const one of rows) found.push(one.what === name ? `${name} (${one.rows} rows)` : one.what);
  }
  return found;
}

/** As a word of its own: "Ash" is not found in "Washington", nor "Patient/1" in "Patient/12". */
function patternOf(word: string): string {
  const escaped = word.replace(/[\\^$.*+?()[\]{}|/-]/g, "\\$&");
  return `(?<![[:alnum:]])${escaped}(?![[:alnum:]]|[-.][[:alnum:]])`;
}
