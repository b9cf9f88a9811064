import type { Readable } from "node:stream";
import type { Pool } from "pg";
import { to as copyTo } from "pg-copy-streams";
import { type Cause, causeText } from "./cause.ts";
import { type Confinement, settingsOf } from "./confinement.ts";
import { type PoolOptions, poolOf } from "./connection-pool.ts";
import { isShowing, showTo, tenantText } from "./showing.ts";
import { type StatementWatch, sentAhead, sessionOn, type TenantSession } from "./tenant-session.ts";

export type { Confinement } from "./confinement.ts";
export type { StatementWatch, TenantSession, Written } from "./tenant-session.ts";

/** Connections that work as the unprivileged service role: those that may write, and those that can only read. */
export interface Database {
  readonly pool: Pool;
  /** Its connections keep whose rows they show until another reads: see `readInTenant`. */
  readonly readPool: Pool;
  /** For what streams, which others cannot be asked behind. */
  readonly streamPool: Pool;
  /** What reads through it may see of a tenant; everything where absent. */
  readonly confinement?: Confinement;
  /** Runs at the end of every transaction that may write, and is part of it. */
  readonly beforeCommit?: (session: TenantSession) => Promise<void>;
  /** The request for which it is asked: jobs that are queued by its transactions name it. */
  readonly cause?: Cause;
  readonly onStatement?: StatementWatch;
  close(): Promise<void>;
}

/** A session that can also stream: the answer of a query as COPY writes it, by the options after TO STDOUT. */
export interface CopySession extends TenantSession {
  copy(query: string, options: string): Readable;
}

/** First key of the advisory lock that each writing transaction of a tenant shares; the tenant is the second. */
export const writersLock = 20_260;

/** Writes epoch milliseconds for a timestamptz parameter; undefined as NULL. */
export function instant(ms: number | undefined): string | null {
  if (ms === undefined) return null;
  if (ms === Number.POSITIVE_INFINITY) return "infinity";
  if (ms === Number.NEGATIVE_INFINITY) return "-infinity";
  return new Date(ms).toISOString();
}

/** Opens the pools, which connect lazily. Every connection takes the service role before its first statement. */
export function openDatabase(connectionString: string, options: PoolOptions = {}): Database {
  return openPool(connectionString, "-c role=tidegate_service", { statementTimeoutMs: 30_000, ...options });
}

/**
 * The same as the owner of the tables, for an operator's commands that take away what the service itself cannot. Row-level
 * security binds an owner as well (a superuser alone is beyond it), so a tenant is set here too. Statements may take an hour.
 */
export function openOwnerDatabase(connectionString: string): Database {
  return openPool(connectionString, "", { poolSize: 1, statementTimeoutMs: 3_600_000 });
}

function openPool(connectionString: string, role: string, options: PoolOptions): Database {
  // One plan for each statement, but for those that say otherwise: left to itself, PostgreSQL plans some of them each time.
  const planning = "-c plan_cache_mode=force_generic_plan";
  const pool = poolOf(connectionString, `${role} ${planning}`, options, "pipelined");
  const reading = `${role} -c default_transaction_read_only=on`;
  const readPool = poolOf(connectionString, `${reading} ${planning}`, options, "pipelined");
  const streamPool = poolOf(connectionString, reading, options, "one by one");
  const pools = [pool, readPool, streamPool];
  return { pool, readPool, streamPool, close: async () => void (await Promise.all(pools.map((one) => one.end()))) };
}

/**
 * Runs `work` in one transaction of one tenant and commits it; any throw rolls back.
 * The tenant is set for the transaction only, so a pooled connection never carries it to the next user.
 */
export async function inTenant<T>(
  database: Database,
  tenantId: number,
  work: (session: TenantSession) => Promise<T>,
): Promise<T> {
  const client = await database.pool.connect();
  let broken: Error | undefined;
  try {
    // The lock keeps nobody waiting: by it an export knows who was writing when it began (store/bulk-snapshot).
    const lock = `select pg_advisory_xact_lock_shared(${writersLock}, ${tenantId})`;
    const tenant = `set local tidegate.tenant = '${tenantText(tenantId)}'`;
    const begun = sentAhead(client, `begin; ${tenant}; ${causeStatement(database)}${lock}`);
    const asking = sessionOn(client, tenantId, begun, database);
    const answer = await work(asking);
    await database.beforeCommit?.(asking);
    // Leaves together with what is not answered yet. Where any of that fails, the server rolls back instead, and says so.
    const ended = sentAhead(client, "commit");
    await Promise.all([begun, ...asking.unanswered]);
    if ((await ended).command !== "COMMIT") throw new Error("the transaction was rolled back");
    return answer;
  } catch (error) {
    await client.query("rollback").catch((rollback: Error) => {
      broken = rollback;
    });
    throw error;
  } finally {
    client.release(broken);
  }
}

function causeStatement({ cause }: Database): string {
  const text = cause && causeText(cause);
  return text === undefined ? "" : `set local tidegate.cause = '${text}'; `;
}

/**
 * Runs `work` of one tenant on a connection that cannot write, and that shows no more than the database's confinement. Each
 * statement is a transaction of its own and sees what is committed when it begins: one way to the server, where to begin,
 * to set whose rows show, and to end were three more. So whose rows show is set for the connection, and by nobody but
 * `showTo`, which every use of such a connection passes.
 */
export async function readInTenant<T>(
  database: Database,
  tenantId: number,
  work: (session: TenantSession) => Promise<T>,
): Promise<T> {
  const client = await database.readPool.connect();
  let broken: Error | undefined;
  try {
    const shown = showTo(client, tenantId, database.confinement);
    const answer = await work(sessionOn(client, tenantId, shown, database));
    await shown;
    return answer;
  } catch (error) {
    broken = isShowing(client) ? undefined : (error as Error);
    throw error;
  } finally {
    client.release(broken);
  }
}

/**
 * The same in one transaction, whose statements all see one snapshot, however long it takes. Meanwhile rows that others
 * replace cannot be vacuumed, so it is for what must add up and not for every read.
 */
export async function readSnapshotInTenant<T>(
  database: Database,
  tenantId: number,
  work: (session: TenantSession) => Promise<T>,
): Promise<T> {
  const client = await database.readPool.connect();
  let broken: Error | undefined;
  try {
    const shown = showTo(client, tenantId, database.confinement);
    const begun = sentAhead(client, "begin isolation level repeatable read read only");
    const answer = await work(sessionOn(client, tenantId, Promise.all([shown, begun]), database));
    await client.query("commit");
    return answer;
  } catch (error) {
    broken = error as Error;
    throw error;
  } finally {
    client.release(broken);
  }
}

/** The same for what takes minutes: it has no time limit, and streams. */
export async function copySnapshotInTenant<T>(
  database: Database,
  tenantId: number,
  work: (session: CopySession) => Promise<T>,
): Promise<T> {
  const client = await database.streamPool.connect();
  try {
    await showTo(client, tenantId, database.confinement);
    await client.query("begin isolation level repeatable read read only; set local statement_timeout = 0");
    const answer = await work({
      ...sessionOn(client, tenantId, Promise.resolve(), database),
      copy: (query, options) =>
        client.query(copyTo(`copy (${query}) to stdout with (${options})`, { highWaterMark: 1_048_576 })),
    });
    await client.query("commit");
    client.release();
    return answer;
  } catch (error) {
    // A stream that nobody reads to its end leaves a connection that is of no use to others.
    client.release(error as Error);
    throw error;
  }
}

/**
 * Runs `work` of a writing transaction with the eyes of whoever writes: what is withheld from them shows to it as little as it
 * does to them. Without such a confinement it costs nothing.
 */
export async function withTheirEyes<T>(
  database: Database,
  session: TenantSession,
  work: () => Promise<T>,
  confinement = withholdingOf(database.confinement),
): Promise<T> {
  if (confinement === undefined) return work();
  const settings = settingsOf(confinement);
  const names = settings.map(([name]) => name);
  const set = (values: readonly string[]) =>
    session.query("select set_config(name, value, true) from unnest($1::text[], $2::text[]) as s(name, value)", [
      names,
      values,
    ]);
  await set(settings.map(([, value]) => value));
  const answer = await work();
  // Where the work throws, the transaction is over and the settings with it.
  await set(names.map(() => ""));
  return answer;
}

/** What of a confinement is withheld row by row; a writer's types and people are settled before it begins. */
export function withholdingOf({ confidentiality, consent }: Confinement = {}): Confinement | undefined {
  if (confidentiality === undefined && consent === undefined) return undefined;
  return {
    ...(confidentiality === undefined ? {} : { confidentiality }),
    ...(consent === undefined ? {} : { consent }),
  };
}
