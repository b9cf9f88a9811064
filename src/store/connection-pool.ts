import { Pool, TypeOverrides } from "pg";

const types = new TypeOverrides();
const TIMESTAMPTZ = 1184;
const DATE = 1082;
types.setTypeParser(TIMESTAMPTZ, readInstant);
types.setTypeParser(DATE, (text) => text);

/** Reads PostgreSQL's UTC text of an instant as epoch milliseconds; `infinity` as Infinity. */
function readInstant(text: string): number {
  if (text === "infinity") return Number.POSITIVE_INFINITY;
  if (text === "-infinity") return Number.NEGATIVE_INFINITY;
  return Date.parse(`${text.replace(" ", "T").slice(0, -3)}Z`);
}

/** How the pools of one database are opened. */
export interface PoolOptions {
  readonly poolSize?: number;
  readonly statementTimeoutMs?: number;
  readonly onError?: (error: Error) => void;
}

/** Statements are sent as they are asked, without waiting for the answers of those before; what streams cannot be. */
type Sending = "pipelined" | "one by one";

/**
 * A pool that connects lazily. `settings` are what every connection takes on, in UTC, before its first statement. Statements
 * are many and short: compiling one (jit) costs more than it saves.
 */
export function poolOf(connectionString: string, settings: string, options: PoolOptions, sending: Sending): Pool {
  const pool = new Pool({
    connectionString,
    max: options.poolSize ?? 8,
    idleTimeoutMillis: 0,
    connectionTimeoutMillis: 30_000,
    pipeline: sending === "pipelined",
    types,
    application_name: "tidegate",
    options: `${settings} -c timezone=UTC -c datestyle=ISO -c jit=off -c statement_timeout=${options.statementTimeoutMs ?? 0}`,
  });
  // An idle connection that the server closes is replaced at the next use; without a listener it would end the process.
  pool.on("error", options.onError ?? (() => undefined));
  return pool;
}
