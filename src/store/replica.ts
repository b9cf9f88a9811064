import { setTimeout as sleep } from "node:timers/promises";
import type { Pool, PoolClient } from "pg";
import { type Database, openDatabase } from "./database.ts";

/** A streaming replica of the database, for reads. */
export interface Replica {
  /** How old what it shows is at most, in milliseconds; undefined where it must not be asked: late, away, or no replica. */
  lagMs(): number | undefined;
  /** The same database with its reads going to the replica. A connection that cannot be had is one to the primary. */
  reading(primary: Database): ReplicaReading;
  close(): Promise<void>;
}

/** Where one request's reads went. */
export interface ReplicaReading {
  readonly database: Database;
  /** Whether any of them went to the replica. */
  isUsed(): boolean;
}

interface ReplicaOptions {
  readonly maxLagMs: number;
  readonly poolSize: number;
  readonly statementTimeoutMs: number;
  readonly everyMs?: number;
  onChange(state: "in use" | "left out"): void;
}

/** Where the primary's log stood at a moment of this process's own clock. */
interface Sample {
  readonly atMs: number;
  readonly position: bigint;
}

/**
 * Watches a replica and says how old it is. Every second (`everyMs`) the primary is asked how far its log has come and the
 * replica how far it has replayed it; what it has replayed is as new as the last moment at which the primary had not come
 * further. So no clocks of two machines are compared, a primary on which nothing happens does not look late, and a replica
 * that says nothing grows old.
 */
export function watchReplica(primary: Database, connectionString: string, options: ReplicaOptions): Replica {
  const { poolSize, statementTimeoutMs, maxLagMs, everyMs = 1_000 } = options;
  const replica = openDatabase(connectionString, { poolSize, statementTimeoutMs });
  const samples: Sample[] = [];
  const stopping = new AbortController();
  let freshAtMs: number | undefined;
  let wasInUse = false;

  async function look(): Promise<void> {
    const atMs = performance.now();
    const position = await primaryPosition(primary);
    samples.push({ atMs, position });
    while (samples.length > 1 && (samples[0]?.atMs ?? 0) < atMs - 2 * maxLagMs - 10_000) samples.shift();
    const replayed = await replayedPosition(replica);
    const fresh = replayed === undefined ? undefined : samples.findLast((sample) => sample.position <= replayed);
    if (replayed === undefined) freshAtMs = undefined;
    else if (fresh !== undefined) freshAtMs = fresh.atMs;
  }

  async function watch(): Promise<void> {
    while (!stopping.signal.aborted) {
      // Away, or starting: what it showed last only grows older.
      await look().catch(() => undefined);
      const isInUse = lagMs() !== undefined;
      if (isInUse !== wasInUse) options.onChange(isInUse ? "in use" : "left out");
      wasInUse = isInUse;
      await sleep(everyMs, undefined, { signal: stopping.signal }).catch(() => undefined);
    }
  }

  function lagMs(): number | undefined {
    if (freshAtMs === undefined) return undefined;
    const lag = performance.now() - freshAtMs;
    return lag <= maxLagMs ? lag : undefined;
  }

  const watching = watch();
  return {
    lagMs,
    reading(of) {
      let isUsed = false;
      const connect = async (): Promise<PoolClient> => {
        try {
          const client = await replica.readPool.connect();
          isUsed = true;
          return client;
        } catch {
          freshAtMs = undefined; // until the next look finds it again
          return of.readPool.connect();
        }
      };
      const pool = Object.create(replica.readPool, { connect: { value: connect } }) as Pool;
      return { database: { ...of, readPool: pool }, isUsed: () => isUsed };
    },
    async close() {
      stopping.abort();
      await watching;
      await replica.close();
    },
  };
}

async function primaryPosition({ pool }: Database): Promise<bigint> {
  const { rows } = await pool.query<{ position: string }>(
    "select pg_wal_lsn_diff(pg_current_wal_lsn(), '0/0')::text as position",
  );
  return BigInt(rows[0]?.position ?? "0");
}

/** Undefined where it replays nothing: it was promoted, or is no replica at all. */
async function replayedPosition({ pool }: Database): Promise<bigint | undefined> {
  const { rows } = await pool.query<{ position: string | null }>(
    `select case when pg_is_in_recovery() then pg_wal_lsn_diff(pg_last_wal_replay_lsn(), '0/0')::text end as position`,
  );
  const position = rows[0]?.position ?? undefined;
  return position === undefined ? undefined : BigInt(position);
}
