import { setTimeout as sleep } from "node:timers/promises";
import type { Database, TenantSession } from "./database.ts";

/** Tables that are partitioned by month, because what is in them goes by age. */
export type AgedTable = "audit_entry" | "received_content" | "resource_version";

/** One month, or all before the first month that has a partition of its own (then it starts at -Infinity). Half-open. */
export interface Partition {
  readonly name: string;
  readonly startMs: number;
  readonly endMs: number;
}

/** Partitions of a table that end at a time, oldest first; those of no month (astray, kept) are left out. */
export async function monthsOf(database: Database, table: AgedTable): Promise<Partition[]> {
  const { rows } = await database.pool.query<Partition>(
    `select name, starts as "startMs", ends as "endMs" from partitions_of($1)
     where not is_default and ends < 'infinity' order by starts`,
    [table],
  );
  return rows;
}

/** Makes the partitions of this month and of the three to come, where they are missing; answers how many were. */
export async function makePartitions(database: Database): Promise<number> {
  const { rows } = await database.pool.query<{ made: number }>("select make_partitions() as made");
  return rows[0]?.made ?? 0;
}

/** Tables of which rows lie in no month's partition, and how many: a clock that is far ahead, or months nobody prepared. */
export async function rowsAstray(database: Database): Promise<{ table: AgedTable; rows: number }[]> {
  const { rows } = await database.pool.query<{ table: AgedTable; rows: number }>(
    `select parent as "table", astray::double precision as rows from rows_astray() where astray > 0`,
  );
  return rows;
}

/** How many rows of the session's tenant lie in one partition; asked as the owner, for nobody else may ask a partition. */
export async function rowsIn(session: TenantSession, partition: Partition): Promise<number> {
  const [row] = await session.query<{ rows: number }>(
    `select count(*)::double precision as rows from ${nameOf(partition)} where tenant_id = $1`,
    [session.tenantId],
  );
  return row?.rows ?? 0;
}

// PostgreSQL manual, appendix A: lock_not_available, deadlock_detected.
const busy = new Set(["55P03", "40P01"]);
const tries = 30;

/**
 * Drops one month with all that is in it. Nobody may read or write the table at that moment: it asks for that lock for two
 * seconds at most, because whoever comes meanwhile waits behind it, and tries again for a minute or so. Throws after that.
 */
export async function dropPartition(owner: Database, table: AgedTable, partition: Partition): Promise<void> {
  const name = nameOf(partition);
  for (let attempt = 1; ; attempt++) {
    try {
      await owner.pool.query(
        `begin; set local lock_timeout = '2s'; alter table ${table} detach partition ${name}; drop table ${name}; commit`,
      );
      return;
    } catch (error) {
      await owner.pool.query("rollback");
      if (!busy.has((error as { code?: string }).code ?? "") || attempt === tries) throw error;
      await sleep(1_000);
    }
  }
}

function nameOf({ name }: Partition): string {
  if (!/^[a-z_]+(_\d{4}_\d{2}|_first)$/.test(name)) throw new Error("not the name of a partition");
  return name;
}
