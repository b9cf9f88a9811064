import { Pool, type PoolClient, TypeOverrides } from "pg";

/** A pool of connections that work as the unprivileged service role. */
export interface Database {
  readonly pool: Pool;
  /** What reads through it may see of a tenant; everything where absent. */
  readonly confinement?: Confinement;
  /** Runs at the end of every transaction that may write, and is part of it. */
  readonly beforeCommit?: (session: TenantSession) => Promise<void>;
  close(): Promise<void>;
}

/** What one client may read of its tenant; the database holds it, whatever way a question takes. */
export interface Confinement {
  /** Resource types; every type where absent. */
  readonly types?: readonly string[];
  /** Types of which only resources with one of the terms show, and no replaced versions; none where absent. */
  readonly limits?: { readonly types: readonly string[]; readonly terms: readonly string[] };
  /** One person, and nobody else. */
  readonly patientId?: string;
  /** The people of these organisations, and nobody else. */
  readonly organizationIds?: readonly string[];
  /** The highest confidentiality that shows: 0 for normal, 1 for restricted; all of it where absent. */
  readonly confidentiality?: 0 | 1;
  /** Who asks, where people may deny it by a Consent; nothing is denied where absent. */
  readonly consent?: Asker;
}

/** One that records are shared with, by the names that Consents know it under (src/fhir/consent.ts). */
export interface Asker {
  /** A denial to any of these means it. */
  readonly deniedAs: readonly string[];
  /** An exception for any of these lets it. */
  readonly permittedAs: readonly string[];
  readonly atMs: number;
}

/** A resource that was stored: its next version, or that it is deleted. */
export interface Written {
  readonly reference: string;
  readonly action: "create" | "update" | "delete";
  readonly patientId?: string;
}

/** A connection bound to one tenant: row-level security shows it that tenant's rows and no others. */
export interface TenantSession {
  readonly tenantId: number;
  /** What the transaction has stored of resources so far. */
  readonly written: Written[];
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

interface PoolOptions {
  readonly poolSize?: number;
  readonly statementTimeoutMs?: number;
  readonly onError?: (error: Error) => void;
}

/**
 * Opens the pool; connects lazily. Every connection takes the service role and UTC before its first statement. Statements
 * are many and short: compiling one (jit) costs more than it saves.
 */
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
  const pool = new Pool({
    connectionString,
    max: options.poolSize ?? 8,
    idleTimeoutMillis: 0,
    connectionTimeoutMillis: 30_000,
    types,
    application_name: "tidegate",
    options: `${role} -c timezone=UTC -c datestyle=ISO -c jit=off -c statement_timeout=${options.statementTimeoutMs ?? 0}`,
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
    const asking = session(client, tenantId);
    const answer = await work(asking);
    await database.beforeCommit?.(asking);
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
 * Runs `work` of one tenant in a transaction that cannot write, and that shows no more than the database's confinement;
 * cheaper than a writing transaction. Each statement sees what is committed when it begins.
 */
export async function readInTenant<T>(
  database: Database,
  tenantId: number,
  work: (session: TenantSession) => Promise<T>,
): Promise<T> {
  return reading(database, tenantId, "begin read only", work);
}

/**
 * The same, but all statements see one snapshot, however long it takes. Meanwhile rows that others replace cannot be
 * vacuumed, so it is for what must add up and not for every read.
 */
export async function readSnapshotInTenant<T>(
  database: Database,
  tenantId: number,
  work: (session: TenantSession) => Promise<T>,
): Promise<T> {
  return reading(database, tenantId, "begin isolation level repeatable read read only", work);
}

async function reading<T>(
  database: Database,
  tenantId: number,
  begin: string,
  work: (session: TenantSession) => Promise<T>,
): Promise<T> {
  const client = await database.pool.connect();
  let broken: Error | undefined;
  try {
    await client.query(`${begin}; ${tenantStatement(tenantId)}${confiningStatement(database.confinement)}`);
    return await work(session(client, tenantId));
  } finally {
    await client.query("commit").catch((error: Error) => {
      broken = error;
    });
    client.release(broken);
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

function tenantStatement(tenantId: number): string {
  if (!Number.isInteger(tenantId)) throw new Error("tenant id is not an integer");
  return `set local tidegate.tenant = '${tenantId}'`;
}

/** Writers see what they must to keep the records whole; only what is read for an answer is confined. */
function confiningStatement(confinement: Confinement | undefined): string {
  return settingsOf(confinement ?? {})
    .map(([name, value]) => `; set local ${name} = '${value}'`)
    .join("");
}

/** The settings that the policies ask, by name. */
function settingsOf(confinement: Confinement): [name: string, value: string][] {
  const { types, limits, patientId, organizationIds, confidentiality, consent } = confinement;
  return [
    ...(types === undefined ? [] : [setting("types", types)]),
    ...(limits === undefined
      ? []
      : [
          setting("limited_types", limits.types),
          setting("limit_terms", limits.terms.length === 0 ? ["0"] : limits.terms),
        ]),
    ...(patientId === undefined ? [] : [setting("patient", [patientId])]),
    ...(organizationIds === undefined ? [] : [setting("organizations", organizationIds)]),
    ...(confidentiality === undefined ? [] : [setting("confidentiality", [String(confidentiality)])]),
    ...(consent === undefined
      ? []
      : [
          setting("denied_as", consent.deniedAs),
          setting("permitted_as", consent.permittedAs),
          setting("asked_at", [String(consent.atMs)]),
        ]),
  ];
}

/** An empty setting reads as none, so that nothing at all needs a name that nothing has. */
function setting(name: string, values: readonly string[]): [name: string, value: string] {
  if (!values.every((value) => /^[A-Za-z0-9.-]{1,64}$/.test(value))) throw new Error("what confines is not a name");
  return [`tidegate.${name}`, values.length === 0 ? "none-" : values.join(",")];
}

function session(client: PoolClient, tenantId: number): TenantSession {
  return {
    tenantId,
    written: [],
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
