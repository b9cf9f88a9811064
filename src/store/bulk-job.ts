import { instant, type TenantSession } from "./database.ts";

/** How far a job has come; `receiving` is an import whose lines still arrive. */
export type BulkState = "receiving" | "waiting" | "running" | "done" | "failed";

/** An export or import of many resources. */
export interface BulkJob {
  readonly jobId: string;
  readonly kind: "export" | "import";
  readonly clientId: string;
  readonly clientName?: string;
  readonly state: BulkState;
  readonly requestUrl: string;
  /** JSON text. */
  readonly asked: string;
  /** The confinement of the kick-off as JSON text. */
  readonly confinement: string;
  /** Between blanks. */
  readonly scopes: string;
  readonly askedMs: number;
  readonly attempt: number;
  readonly progress: string;
  /** Where an import goes on, as JSON text. */
  readonly place?: string;
  readonly transactionTimeMs?: number;
  readonly finishedMs?: number;
  readonly expiresMs?: number;
  readonly reason?: string;
}

/** One attempt of a job: what another has left or does counts for nothing. */
export interface BulkAttempt {
  readonly jobId: string;
  readonly attempt: number;
}

type Row = { readonly [Name in keyof BulkJob]-?: BulkJob[Name] | null };

const columns = `job_id as "jobId", kind, client_id as "clientId", client_name as "clientName", state, request_url as "requestUrl",
  asked, confinement, scopes, asked_at as "askedMs", attempt, progress, place, transaction_time as "transactionTimeMs",
  finished_at as "finishedMs", expires_at as "expiresMs", reason`;

function jobOf(row: Row): BulkJob {
  return Object.fromEntries(Object.entries(row).filter(([, value]) => value !== null)) as unknown as BulkJob;
}

/** Lets this transaction see the jobs of one client, or of all for the service's own work (`*`): without it none show. */
export async function lookAtBulk(session: TenantSession, clientId: string): Promise<void> {
  await session.query("select set_config('tidegate.bulk_client', $1, true)", [clientId]);
}

/**
 * The same for the service's own work on pieces of files. Whoever tells that a job has ended waits for the disk, and by then all
 * that was committed before is on it; each piece need not.
 */
export async function lookAtPieces(session: TenantSession): Promise<void> {
  await session.query(
    "select set_config('tidegate.bulk_client', '*', true), set_config('synchronous_commit', 'off', true)",
  );
}

/** Waits until nobody else begins a job of the tenant; held to the end of the transaction. */
export async function lockBulk(session: TenantSession): Promise<void> {
  await session.query("select pg_advisory_xact_lock(hashtextextended('bulk', $1::int))", [session.tenantId]);
}

/** How many jobs have not ended, of the tenant and of one client. */
export async function countGoing(
  session: TenantSession,
  clientId: string,
): Promise<{ readonly ofTenant: number; readonly ofClient: number }> {
  const [row] = await session.query<{ ofTenant: number; ofClient: number }>(
    `select count(*)::int as "ofTenant", count(*) filter (where client_id = $2)::int as "ofClient"
     from bulk_job where tenant_id = $1 and finished_at is null`,
    [session.tenantId, clientId],
  );
  return row ?? { ofTenant: 0, ofClient: 0 };
}

/** Adds a job as its first state has it; the caller queues its work. */
export async function addBulkJob(
  session: TenantSession,
  one: Omit<BulkJob, "attempt" | "progress"> & { readonly state: "receiving" | "waiting" },
): Promise<void> {
  await session.query(
    `insert into bulk_job (tenant_id, job_id, kind, client_id, client_name, state, request_url, asked, confinement, scopes,
       asked_at, heartbeat_at)
     values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $11)`,
    [
      session.tenantId,
      one.jobId,
      one.kind,
      one.clientId,
      one.clientName ?? null,
      one.state,
      one.requestUrl,
      one.asked,
      one.confinement,
      one.scopes,
      instant(one.askedMs),
    ],
  );
}

/** Queues the work on a job in the caller's transaction, to begin in so many seconds. */
export async function queueBulk(session: TenantSession, jobId: string, afterSeconds = 0): Promise<void> {
  await session.query("select queue_bulk($1, $2)", [jobId, afterSeconds]);
}

/** One job that shows to the client looked for; undefined where there is none. */
export async function findBulkJob(session: TenantSession, jobId: string): Promise<BulkJob | undefined> {
  const [row] = await session.query<Row>(`select ${columns} from bulk_job where tenant_id = $1 and job_id = $2`, [
    session.tenantId,
    jobId,
  ]);
  return row && jobOf(row);
}

/** Notes that a client asked how far a job is; false where it did so less than `leastMs` ago. */
export async function notePoll(
  session: TenantSession,
  jobId: string,
  nowMs: number,
  leastMs: number,
): Promise<boolean> {
  const rows = await session.query(
    `update bulk_job set polled_at = $3 where tenant_id = $1 and job_id = $2 and (polled_at is null or polled_at <= $4)
     returning 1`,
    [session.tenantId, jobId, instant(nowMs), instant(nowMs - leastMs)],
  );
  return rows.length > 0;
}

/** An import has arrived whole: from now on its work may begin. */
export async function endReceiving(session: TenantSession, jobId: string, asked: string): Promise<boolean> {
  const rows = await session.query(
    `update bulk_job set state = 'waiting', asked = $3 where tenant_id = $1 and job_id = $2 and state = 'receiving' returning 1`,
    [session.tenantId, jobId, asked],
  );
  return rows.length > 0;
}

/**
 * Takes a job to work on it, under the next number of attempt. Undefined where it is over, or where another is at it that
 * gave a sign of life since `aliveSinceMs`.
 */
export async function claimBulkJob(
  session: TenantSession,
  jobId: string,
  nowMs: number,
  aliveSinceMs: number,
): Promise<BulkJob | undefined> {
  const [row] = await session.query<Row>(
    `update bulk_job set state = 'running', attempt = attempt + 1, heartbeat_at = $3
     where tenant_id = $1 and job_id = $2 and (state = 'waiting' or (state = 'running' and heartbeat_at < $4))
     returning ${columns}`,
    [session.tenantId, jobId, instant(nowMs), instant(aliveSinceMs)],
  );
  return row && jobOf(row);
}

/** Gives a sign of life and tells how far it is; false where this attempt no longer counts. */
export async function beatBulkJob(
  session: TenantSession,
  { jobId, attempt }: BulkAttempt,
  nowMs: number,
  progress: string,
): Promise<boolean> {
  const rows = await session.query(
    `update bulk_job set heartbeat_at = $4, progress = $5
     where tenant_id = $1 and job_id = $2 and attempt = $3 and state in ('running', 'receiving') returning 1`,
    [session.tenantId, jobId, attempt, instant(nowMs), progress],
  );
  return rows.length > 0;
}

/** Puts a job back, for another try. */
export async function releaseBulkJob(session: TenantSession, { jobId, attempt }: BulkAttempt): Promise<void> {
  await session.query(
    "update bulk_job set state = 'waiting' where tenant_id = $1 and job_id = $2 and attempt = $3 and state = 'running'",
    [session.tenantId, jobId, attempt],
  );
}

/** Notes where an import goes on; false where this attempt no longer counts. */
export async function savePlace(
  session: TenantSession,
  { jobId, attempt }: BulkAttempt,
  place: string,
): Promise<boolean> {
  const rows = await session.query(
    `update bulk_job set place = $4 where tenant_id = $1 and job_id = $2 and attempt = $3 and state = 'running' returning 1`,
    [session.tenantId, jobId, attempt, place],
  );
  return rows.length > 0;
}

/** How a job ended. */
export interface BulkEnd {
  readonly finishedMs: number;
  readonly expiresMs: number;
  readonly transactionTimeMs?: number;
  /** Why it failed, in words; absent where it did not. */
  readonly reason?: string;
}

/** Ends a job; false where this attempt no longer counts. */
export async function finishBulkJob(
  session: TenantSession,
  { jobId, attempt }: BulkAttempt,
  end: BulkEnd,
): Promise<boolean> {
  const rows = await session.query(
    `update bulk_job set state = case when $7::text is null then 'done' else 'failed' end, finished_at = $4, expires_at = $5,
       transaction_time = $6, reason = $7
     where tenant_id = $1 and job_id = $2 and attempt = $3 and state = 'running' returning 1`,
    [
      session.tenantId,
      jobId,
      attempt,
      instant(end.finishedMs),
      instant(end.expiresMs),
      instant(end.transactionTimeMs),
      end.reason ?? null,
    ],
  );
  return rows.length > 0;
}

/** Takes a job away with all its files; false where none shows. Its work, where it goes on, finds out by its next sign of life. */
export async function deleteBulkJob(session: TenantSession, jobId: string): Promise<boolean> {
  const rows = await session.query(
    `with pieces as (delete from bulk_chunk where tenant_id = $1 and job_id = $2),
       files as (delete from bulk_file where tenant_id = $1 and job_id = $2)
     delete from bulk_job where tenant_id = $1 and job_id = $2 returning 1`,
    [session.tenantId, jobId],
  );
  return rows.length > 0;
}

/** Jobs whose time is over, and imports that broke off while they arrived. */
export async function expiredBulkJobs(
  session: TenantSession,
  nowMs: number,
  aliveSinceMs: number,
): Promise<readonly string[]> {
  const rows = await session.query<{ id: string }>(
    `select job_id as id from bulk_job where tenant_id = $1
       and (expires_at <= $2 or (state = 'receiving' and heartbeat_at < $3)) order by job_id`,
    [session.tenantId, instant(nowMs), instant(aliveSinceMs)],
  );
  return rows.map(({ id }) => id);
}

/** Jobs that somebody should be at and that gave no sign of life since `aliveSinceMs`. */
export async function stalledBulkJobs(session: TenantSession, aliveSinceMs: number): Promise<readonly string[]> {
  const rows = await session.query<{ id: string }>(
    `select job_id as id from bulk_job where tenant_id = $1 and state in ('waiting', 'running') and heartbeat_at < $2
     order by job_id`,
    [session.tenantId, instant(aliveSinceMs)],
  );
  return rows.map(({ id }) => id);
}
