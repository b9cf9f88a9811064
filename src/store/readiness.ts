import { setTimeout as sleep } from "node:timers/promises";
import type { Database } from "./database.ts";
import { lastMigration } from "./schema-state.ts";

/** What must hold before anybody is sent here; each is false where the database does not even answer. */
export interface Readiness extends Readonly<Record<string, boolean>> {
  /** The database answers, within `patienceMs`. */
  readonly database: boolean;
  /** It takes writes: it is no standby, and nobody set it to read only. */
  readonly writable: boolean;
  /** Connections work as the role that row-level security binds. */
  readonly role: boolean;
  /** The schema is as new as this version of the software. */
  readonly schema: boolean;
}

/** Longer than any statement of ours waits for a free connection under load; a balancer gives up about then. */
const patienceMs = 3_000;

const nothing: Readiness = { database: false, writable: false, role: false, schema: false };

/**
 * Looks whether the service can work: one statement. Partitions that nobody prepared and jobs that wait keep nobody from the
 * doors, and sending people elsewhere would mend neither: those are numbers at /metrics.
 */
export async function readiness(database: Database): Promise<Readiness> {
  const giveUp = new AbortController();
  const patience = sleep(patienceMs, nothing, { signal: giveUp.signal, ref: false }).catch(() => nothing);
  try {
    return await Promise.race([look(database), patience]);
  } catch {
    return nothing;
  } finally {
    giveUp.abort();
  }
}

// undefined_function, undefined_table (PostgreSQL manual, appendix A): a schema from before this check, or none.
const older = new Set(["42883", "42P01"]);

async function look({ pool }: Database): Promise<Readiness> {
  try {
    const { rows } = await pool.query<Readiness>(
      `select true as database,
         not pg_is_in_recovery() and current_setting('transaction_read_only') = 'off' as writable,
         not (select rolsuper or rolbypassrls from pg_roles where rolname = current_user) as role,
         coalesce(schema_version() >= $1, false) as schema`,
      [(await newestMigration()) ?? 0],
    );
    return rows[0] ?? nothing;
  } catch (error) {
    if (older.has((error as { code?: string }).code ?? "")) return { ...nothing, database: true };
    throw error;
  }
}

let newest: Promise<number | undefined> | undefined;

/** Of this version of the software, which does not change while it runs. */
function newestMigration(): Promise<number | undefined> {
  newest ??= lastMigration();
  return newest;
}

/** Whether all of it holds. */
export function isReadyFor(checks: Readiness): boolean {
  return Object.values(checks).every((holds) => holds);
}
