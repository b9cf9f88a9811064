import { Pool, type PoolClient, TypeOverrides } from "pg";

/** A pool of connections that work as the unprivileged service role. */
export interface Database {
  readonly pool: Pool;
  /** What reads through it may see of a tenant; everything where absent. */
  readonly confinement?: Confinement;
  close(): Promise<void>;
}

/** What one client may read of its tenant; the database holds it, whatever way a question takes. */
export interface Confinement {
  /** Resource types; every type where absent. */
  readonly types?: readonly string[];
  /** One person, and nobody else. */
  readonly patientId?: string;
  /** The people of these organisations, and nobody else. */
  readonly organizationIds?: readonly string[];
}

/** A connection bound to one tenant: row-level security shows it that tenant's rows and no others. */
export interface TenantSession {
  readonly tenantId: number;
  query<Row>(text: string, values?: readonly unknown[]): Promise<Row[]>;
}

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

/** Writes epoch milliseconds for a timestamptz parameter; undefined as NULL. */
export function instant(ms: number | undefined): string | null {
  if (ms === undefined) return null;
  if (ms === Number.POSITIVE_INFINITY) return "infinity";
  if (ms === Number.NEGATIVE_INFINITY) return "-infinity";
  return new Date(ms).toISOString();
}

/**
 * Opens the pool; connects lazily. Every connection takes the service role and UTC before its first statement. Statements
 * are many and short: compiling one (jit) costs more than it saves.
 */
export function openDatabase(
  connectionString: string,
  options: { poolSize?: number; statementTimeoutMs?: number; onError?: (error: Error) => void } = {},
): Database {
  const pool = new Pool({
    connectionString,
    max: options.poolSize ?? 8,
    idleTimeoutMillis: 0,
    connectionTimeoutMillis: 30_000,
    types,
    application_name: "tidegate",
    options: `-c role=tidegate_service -c timezone=UTC -c datestyle=ISO -c jit=off -c statement_timeout=${options.statementTimeoutMs ?? 30_000}`,
  });
  // An idle connection that the server closes is replaced at the next use; without a listener it would end the process.
  pool.on("error", options.onError ?? (() => undefined));
  return { pool, close: () => pool.end() };
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
    await client.query(`begin; ${tenantStatement(tenantId)}`);
    const answer = await work(session(client, tenantId));
    await client.query("commit");
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

/**
 * Runs `work` of one tenant on one snapshot that cannot write, and that shows no more than the database's confinement;
 * cheaper than a writing transaction.
 */
export async function readInTenant<T>(
  database: Database,
  tenantId: number,
  work: (session: TenantSession) => Promise<T>,
): Promise<T> {
  const client = await database.pool.connect();
  let broken: Error | undefined;
  try {
    await client.query(`begin read only; ${tenantStatement(tenantId)}${confiningStatement(database.confinement)}`);
    return await work(session(client, tenantId));
  } finally {
    await client.query("commit").catch((error: Error) => {
      broken = error;
    });
    client.release(broken);
  }
}

function tenantStatement(tenantId: number): string {
  if (!Number.isInteger(tenantId)) throw new Error("tenant id is not an integer");
  return `set local tidegate.tenant = '${tenantId}'`;
}

/** Writers see what they must to keep the records whole; only what is read for an answer is confined. */
function confiningStatement(confinement: Confinement | undefined): string {
  const { types, patientId, organizationIds } = confinement ?? {};
  return [
    ...(types === undefined ? [] : [setting("types", types)]),
    ...(patientId === undefined ? [] : [setting("patient", [patientId])]),
    ...(organizationIds === undefined ? [] : [setting("organizations", organizationIds)]),
  ].join("");
}

/** An empty setting reads as none, so that nothing at all needs a name that nothing has. */
function setting(name: string, values: readonly string[]): string {
  if (!values.every((value) => /^[A-Za-z0-9.-]{1,64}$/.test(value))) throw new Error("what confines is not a name");
  return `; set local tidegate.${name} = '${values.length === 0 ? "none-" : values.join(",")}'`;
}

function session(client: PoolClient, tenantId: number): TenantSession {
  return {
    tenantId,
    async query<Row>(text: string, values: readonly unknown[] = []) {
      const answer = await client.query({ text, values: [...values], name: statementName(text) });
      return answer.rows as Row[];
    },
  };
}

const statementNames = new Map<string, string>();

/** Names a statement so that each connection plans it once. Texts are few; the bound guards against a search that makes many. */
function statementName(text: string): string | undefined {
  const known = statementNames.get(text);
  if (known !== undefined) return known;
  if (statementNames.size >= 500) return undefined;
  const name = `s${statementNames.size}`;
  statementNames.set(text, name);
  return name;
}
