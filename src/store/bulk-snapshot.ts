import { setTimeout as sleep } from "node:timers/promises";
import { type Database, readInTenant, writersLock } from "./database.ts";

const lookEveryMs = 20;

/**
 * Waits until every transaction that was writing for the tenant when this was called has ended. A version gets its time
 * before it is committed: so a snapshot taken afterwards has all that was changed up to the call, and whoever asks for what
 * changed since then misses nothing. Who begins to write meanwhile is neither waited for nor kept waiting. Throws when
 * somebody still writes after `mostMs`.
 */
export async function awaitWriters(database: Database, tenantId: number, mostMs: number): Promise<void> {
  let writing = await writersNow(database, tenantId);
  for (let waited = 0; writing.length > 0; waited += lookEveryMs) {
    if (waited >= mostMs) throw new Error("an export waited too long for those who were writing");
    await sleep(lookEveryMs);
    const now = new Set(await writersNow(database, tenantId));
    writing = writing.filter((one) => now.has(one));
  }
}

/** Transactions that hold the tenant's lock of writers, by names that are used once. */
async function writersNow(database: Database, tenantId: number): Promise<string[]> {
  const rows = await readInTenant(database, tenantId, (session) =>
    session.query<{ name: string }>(
      `select virtualtransaction || ' ' || pid as name from pg_locks
       where locktype = 'advisory' and granted and classid = ${writersLock}::oid and objid = $1::int::oid and objsubid = 2
         and database = (select oid from pg_database where datname = current_database())`,
      [session.tenantId],
    ),
  );
  return rows.map(({ name }) => name);
}
