import type { Client, Pool } from "pg";

/** Tables that a write fills, copied without the rights and triggers of their own: the necessary columns and indexes. */
const twinned = [
  "resource",
  "resource_string",
  "resource_date",
  "therapy_session",
  "coverage",
  "received_upload",
] as const;

/** Some rows of one table, as texts. */
interface Chunk {
  readonly table: (typeof twinned)[number];
  readonly rows: readonly string[];
}

/**
 * Writes again, into twins of the tables, what the service has written: the very rows, `perStatement` of each table in one
 * statement, which commits on its own.
 */
export interface Twins {
  /** Reads what was written since the last call; answers how many statements it takes to write it again. */
  takeNew(): Promise<number>;
  /** Carries out one of them; answers how many rows of the counted table it wrote. */
  write(n: number): Promise<number>;
}

/** Makes the twins anew. `counted` is the table whose rows are the units. */
export async function makeTwins(
  admin: Client,
  pool: Pool,
  options: { tenantId: number; perStatement: number; counted: (typeof twinned)[number]; type?: string },
): Promise<Twins> {
  for (const table of twinned) {
    await admin.query(`drop table if exists raw_${table}`);
    await admin.query(`create table raw_${table} (like ${table} including all excluding generated)`);
  }
  let since = await snapshotOf(admin);
  let statements: Chunk[][] = [];
  return {
    async takeNew() {
      const until = await snapshotOf(admin);
      const chunks: Chunk[][] = [];
      for (const table of twinned) {
        const rows = await newRows(admin, table, options.tenantId, since, until);
        const per = perTable(table, options);
        for (let from = 0; from < rows.length; from += per) {
          const place = Math.floor(from / per);
          chunks[place] = [...(chunks[place] ?? []), { table, rows: rows.slice(from, from + per) }];
        }
      }
      since = until;
      statements = chunks.filter((chunk) => chunk !== undefined);
      return statements.length;
    },
    async write(n) {
      const chunks = statements[n] ?? [];
      const parts = chunks.map(
        ({ table }, i) =>
          `w${i} as (insert into raw_${table} select (r.t).* from (select unnest($${i + 1}::text[])::${table} as t) r)`,
      );
      await pool.query({
        name: `raw ${chunks.map(({ table }) => twinned.indexOf(table)).join(" ")}`,
        text: `with ${parts.join(", ")} select 1`,
        values: chunks.map(({ rows }) => rows),
      });
      return chunks.find(({ table }) => table === options.counted)?.rows.length ?? 0;
    },
  };
}

/** A session is one row of facts and two resources; both stand in one statement. */
function perTable(table: string, { perStatement, counted }: { perStatement: number; counted: string }): number {
  return counted === "therapy_session" && table === "resource" ? perStatement * 2 : perStatement;
}

/** Transactions that have ended are told from later ones by their number: nobody else writes meanwhile. */
async function snapshotOf(admin: Client): Promise<string> {
  const answer = await admin.query("select pg_snapshot_xmax(pg_current_snapshot())::text as x");
  return (answer.rows[0] as { x: string }).x;
}

async function newRows(
  admin: Client,
  table: string,
  tenantId: number,
  since: string,
  until: string,
): Promise<readonly string[]> {
  const answer = await admin.query(
    `select t::text as row from ${table} t
     where t.tenant_id = $1 and t.xmin::text::bigint >= $2::bigint and t.xmin::text::bigint < $3::bigint`,
    [tenantId, since, until],
  );
  return (answer.rows as { row: string }[]).map((one) => one.row);
}
