import { Pool, TypeOverrides } from "pg";

const types = new TypeOverrides();
const TIMESTAMPTZ = 1184;
const DATE = 1082;
types.setTypeParser(TIMESTAMPTZ, readInstant);
types.setTypeParser(DATE, (text) => text);

/**
 * Reads PostgreSQL's UTC text of an instant (`2026-03-01 10:00:00.25+00`) as epoch milliseconds, parts of one cut off; `infinity`
 * as Infinity. Digit by digit, for a year of one person has thousands: `Date.parse` wants another text made of it first.
 */
export function readInstant(text: string): number {
  if (text === "infinity") return Number.POSITIVE_INFINITY;
  if (text === "-infinity") return Number.NEGATIVE_INFINITY;
  const year = numberAt(text, 0, 4);
  // Date.UTC takes years below 100 for those of the last century; beyond 9999, and before Christ, the text has another form.
  if (text.charCodeAt(4) !== minus || year < 100 || text.endsWith("BC"))
    return Date.parse(`${text.replace(" ", "T").slice(0, -3)}Z`);
  const [month, day] = [numberAt(text, 5, 7) - 1, numberAt(text, 8, 10)];
  const second = Date.UTC(year, month, day, numberAt(text, 11, 13), numberAt(text, 14, 16), numberAt(text, 17, 19));
  if (text.charCodeAt(19) !== point) return second;
  const digits = Math.min(text.length - 3, 23) - 20;
  return second + numberAt(text, 20, 20 + digits) * 10 ** (3 - digits);
}

const [zero, minus, point] = [0x30, 0x2d, 0x2e];

/** The number that the digits from one place up to another write. */
function numberAt(text: string, from: number, until: number): number {
  let value = 0;
  for (let i = from; i < until; i += 1) value = value * 10 + text.charCodeAt(i) - zero;
  return value;
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
