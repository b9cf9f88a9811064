import { instant, type TenantSession } from "./database.ts";

/** Where a release stands; it goes no way back. */
export type ReleaseState = "computing" | "refused" | "drafted" | "released" | "withdrawn";

/** What is shown of releases: nothing that was not signed off, or all. */
export type ReleaseSight = "released" | "all";

/** Who did a step: a client, and the person who it says worked it. */
export interface Doer {
  readonly clientId: string;
  readonly name: string;
}

/** A release as doors may show it. What later audits need is read by `keptPublications` alone. */
export interface StoredRelease {
  readonly number: number;
  readonly period: string;
  readonly policy: string;
  readonly state: ReleaseState;
  readonly progress: { readonly done: number; readonly total: number };
  readonly asked: Doer & { readonly atMs: number };
  readonly signed?: Doer & { readonly atMs: number };
  readonly withdrawn?: Doer & { readonly atMs: number };
  readonly reason?: string;
  /** The frozen content as JSON text, with its SHA-256 in hexadecimal digits; absent where nothing was made. */
  readonly body?: string;
  readonly sha256?: string;
  /** JSON text. */
  readonly audit?: string;
}

/** What was made of the figures, to be frozen: three JSON texts and the hash of the first. */
export interface MadeRelease {
  readonly body: string;
  readonly sha256: string;
  readonly audit: string;
  readonly publication: string;
}

interface Row {
  readonly number: number;
  readonly period: string;
  readonly policy: string;
  readonly state: ReleaseState;
  readonly progress_done: number;
  readonly progress_total: number;
  readonly asked_at: number;
  readonly asked_by_client: string;
  readonly asked_by_name: string;
  readonly signed_at: number | null;
  readonly signed_by_client: string | null;
  readonly signed_by_name: string | null;
  readonly withdrawn_at: number | null;
  readonly withdrawn_by_client: string | null;
  readonly withdrawn_by_name: string | null;
  readonly reason: string | null;
  readonly body?: string | null;
  readonly sha256: string | null;
  readonly audit: string | null;
}

const meta =
  "number, period, policy, state, progress_done, progress_total, asked_at, asked_by_client, asked_by_name, signed_at, signed_by_client, signed_by_name, withdrawn_at, withdrawn_by_client, withdrawn_by_name, reason, sha256, audit";

/** Lets this transaction see releases: without it none show, so `session` must be that of one. */
export async function lookAtReleases(session: TenantSession, sight: ReleaseSight): Promise<void> {
  await session.query("select set_config('tidegate.releases', $1, true)", [sight]);
}

/** Waits until nobody else numbers or signs a release of the tenant; held to the end of the transaction. */
export async function lockReleases(session: TenantSession): Promise<void> {
  await session.query("select pg_advisory_xact_lock(hashtextextended('release', $1::int))", [session.tenantId]);
}

/** Adds a release that is to be computed, under the next number, and queues its making. Hold the lock. */
export async function addRelease(
  session: TenantSession,
  one: { readonly period: string; readonly policy: string; readonly asked: Doer; readonly atMs: number },
): Promise<number> {
  const [row] = await session.query<{ number: number }>(
    `insert into population_release (tenant_id, number, period, policy, state, asked_at, asked_by_client, asked_by_name)
     select $1, coalesce(max(r.number), 0) + 1, $2, $3, 'computing', $4, $5, $6
     from population_release r where r.tenant_id = $1
     returning number`,
    [session.tenantId, one.period, one.policy, instant(one.atMs), one.asked.clientId, one.asked.name],
  );
  if (row === undefined) throw new Error("a release was added and has no number");
  await queueRelease(session, row.number);
  return row.number;
}

/** Queues the making of a release again; one job waits at most. */
export async function queueRelease(session: TenantSession, number: number): Promise<void> {
  await session.query("select queue_release($1)", [number]);
}

export async function findRelease(session: TenantSession, number: number): Promise<StoredRelease | undefined> {
  const rows = await session.query<Row>(
    `select ${meta}, body from population_release where tenant_id = $1 and number = $2`,
    [session.tenantId, number],
  );
  return rows.map(releaseOf)[0];
}

/** The one of a period and, where it is given, a policy, that stands: computing, drafted or released; the newest of several. */
export async function standingRelease(
  session: TenantSession,
  period: string,
  policy?: string,
): Promise<StoredRelease | undefined> {
  const rows = await session.query<Row>(
    `select ${meta}, body from population_release
     where tenant_id = $1 and period = $2 and ($3::text is null or policy = $3) and state in ('computing', 'drafted', 'released')
     order by state = 'released' desc, number desc limit 1`,
    [session.tenantId, period, policy ?? null],
  );
  return rows.map(releaseOf)[0];
}

/** Releases below a number, of one state or of each, last first and without their bodies. */
export async function listReleases(
  session: TenantSession,
  count: number,
  below: number,
  state?: ReleaseState,
): Promise<StoredRelease[]> {
  const rows = await session.query<Row>(
    `select ${meta} from population_release
     where tenant_id = $1 and number < $2 and ($4::text is null or state = $4) order by number desc limit $3`,
    [session.tenantId, below, count, state ?? null],
  );
  return rows.map(releaseOf);
}

/** What was ever published, withdrawn or not, as it was kept: JSON texts. Only for the audit of the next. */
export async function keptPublications(
  session: TenantSession,
): Promise<{ readonly number: number; readonly period: string; readonly publication: string }[]> {
  return session.query(
    `select number, period, publication from population_release
     where tenant_id = $1 and signed_at is not null order by number`,
    [session.tenantId],
  );
}

/** Numbers of all that was ever published. */
export async function publishedNumbers(session: TenantSession): Promise<number[]> {
  const rows = await session.query<{ number: number }>(
    "select number from population_release where tenant_id = $1 and signed_at is not null order by number",
    [session.tenantId],
  );
  return rows.map(({ number }) => number);
}

export async function saveProgress(session: TenantSession, number: number, done: number, total: number): Promise<void> {
  await session.query(
    `update population_release set progress_done = $3, progress_total = $4
     where tenant_id = $1 and number = $2 and state = 'computing'`,
    [session.tenantId, number, done, total],
  );
}

export async function saveRefused(session: TenantSession, number: number, reason: string): Promise<void> {
  await session.query(
    `update population_release set state = 'refused', reason = $3
     where tenant_id = $1 and number = $2 and state = 'computing'`,
    [session.tenantId, number, reason],
  );
}

/** Freezes what was made; nothing happens where another run of the same job was first. */
export async function saveDrafted(session: TenantSession, number: number, made: MadeRelease): Promise<void> {
  await session.query(
    `update population_release set state = 'drafted', body = $3, sha256 = $4, audit = $5, publication = $6
     where tenant_id = $1 and number = $2 and state = 'computing'`,
    [session.tenantId, number, made.body, made.sha256, made.audit, made.publication],
  );
}

/** False where it is no draft any more. */
export async function saveSigned(session: TenantSession, number: number, by: Doer, atMs: number): Promise<boolean> {
  const rows = await session.query(
    `update population_release set state = 'released', signed_at = $3, signed_by_client = $4, signed_by_name = $5
     where tenant_id = $1 and number = $2 and state = 'drafted' returning number`,
    [session.tenantId, number, instant(atMs), by.clientId, by.name],
  );
  return rows.length === 1;
}

/** False where it is neither a draft nor released. */
export async function saveWithdrawn(
  session: TenantSession,
  number: number,
  by: Doer,
  reason: string,
  atMs: number,
): Promise<boolean> {
  const rows = await session.query(
    `update population_release
     set state = 'withdrawn', reason = $3, withdrawn_at = $4, withdrawn_by_client = $5, withdrawn_by_name = $6
     where tenant_id = $1 and number = $2 and state in ('drafted', 'released') returning number`,
    [session.tenantId, number, reason, instant(atMs), by.clientId, by.name],
  );
  return rows.length === 1;
}

function releaseOf(row: Row): StoredRelease {
  const signed = doer(row.signed_by_client, row.signed_by_name, row.signed_at);
  const withdrawn = doer(row.withdrawn_by_client, row.withdrawn_by_name, row.withdrawn_at);
  return {
    number: row.number,
    period: row.period,
    policy: row.policy,
    state: row.state,
    progress: { done: row.progress_done, total: row.progress_total },
    asked: { clientId: row.asked_by_client, name: row.asked_by_name, atMs: row.asked_at },
    ...(signed === undefined ? {} : { signed }),
    ...(withdrawn === undefined ? {} : { withdrawn }),
    ...(row.reason === null ? {} : { reason: row.reason }),
    ...(typeof row.body === "string" ? { body: row.body } : {}),
    ...(row.sha256 === null ? {} : { sha256: row.sha256 }),
    ...(row.audit === null ? {} : { audit: row.audit }),
  };
}

function doer(clientId: string | null, name: string | null, atMs: number | null) {
  return clientId === null || name === null || atMs === null ? undefined : { clientId, name, atMs };
}
