import type { AuditEntry } from "../fhir/audit-event.ts";
import { type ChainPlace, lastRemoval, saysRemoved } from "./audit-removal.ts";
import { type AuditRow, auditColumns, auditHash, entryOf, entryText } from "./audit-row.ts";
import { instant, type TenantSession } from "./database.ts";

/** An entry with its place in the tenant's trail. */
export interface AuditRecord {
  readonly sequence: number;
  readonly entry: AuditEntry;
}

/** The last row of a trail, or the last that was when somebody noted it. `hash` in hexadecimal; empty where there is no row. */
export interface AuditHead {
  readonly sequence: number;
  readonly hash: string;
}

/** What a check of the trail found. */
export type AuditCheck =
  | {
      readonly ok: true;
      readonly rows: number;
      readonly head: AuditHead;
      /** The last of those that were removed because their time was over; absent where none was. */
      readonly removedThrough?: number;
    }
  | { readonly ok: false; readonly sequence: number; readonly fault: AuditFault };

/** What is wrong with a row, or with the place where it was. */
export type AuditFault =
  | "sequence missing"
  | "sequence below the first"
  | "previous hash differs"
  | "hash differs"
  | "not the hash that was noted"
  | "not the hash that was removed"
  | "removed without an entry that says so";

/**
 * Adds the entries to the tenant's chain in one statement, in their order; answers the sequence of the last, undefined
 * for none. Until the transaction ends everybody else who appends for the tenant waits, so this belongs at its end.
 *
 * The database makes the hashes. Made here they would be as quick (both some 15,000 entries a second in hundreds), but the
 * head has to be fetched under the lock first: two more ways to the server, in which all others wait.
 */
export async function appendAudit(session: TenantSession, entries: readonly AuditEntry[]): Promise<number | undefined> {
  if (entries.length === 0) return undefined;
  const rows = await session.query<{ head: number }>("select append_audit($1::text[])::double precision as head", [
    entries.map(entryText),
  ]);
  return rows[0]?.head;
}

/**
 * Notes an entry in the transaction that it tells of, to be chained soon after (`sealAudit`): writers of a tenant need not
 * wait for each other. Nothing is noted, and `onNoted` not called, where the transaction has changed nothing so far.
 */
export function noteAudit(session: TenantSession, entry: AuditEntry, onNoted: () => void = () => undefined): void {
  session.send(
    `insert into audit_pending (tenant_id, entry) select $1::int, $2::text where pg_current_xact_id_if_assigned() is not null
     returning id`,
    [session.tenantId, entryText(entry)],
    (rows) => {
      if (rows.length > 0) onNoted();
    },
  );
}

/** How many `seal_audit` chains at once. */
const mostSealed = 10_000;

/** Chains all that was noted, a bounded number a statement; answers how many. */
export async function sealAudit(session: TenantSession): Promise<number> {
  for (let all = 0; ; ) {
    const rows = await session.query<{ sealed: number }>("select seal_audit() as sealed");
    const sealed = rows[0]?.sealed ?? 0;
    all += sealed;
    if (sealed < mostSealed) return all;
  }
}

const BATCH = 1_000;

/**
 * Goes through the chain and names the first link that is broken. From `fromSequence` on, the row before it is taken at
 * its word. A chain alone cannot show that its end was cut off, or that everything behind some row was written anew:
 * `noted`, a head kept outside the database after an earlier check, does.
 *
 * Where a beginning was removed because its time was over, the rest hangs on the last row that went, and must hold the entry
 * that names that row and its hash. Rows from before it that are still here (months are dropped by the time of the deed, and
 * rows are chained some moments later) have lost their neighbours, and are checked each by itself.
 */
export async function verifyAudit(session: TenantSession, fromSequence = 1, noted?: AuditHead): Promise<AuditCheck> {
  const removal = await lastRemoval(session);
  const start = await startOf(session, fromSequence, removal);
  if (start === undefined) return { ok: false, sequence: fromSequence - 1, fault: "sequence missing" };
  let { sequence, hash } = start;
  let next = fromSequence > 1 ? sequence : Number.MIN_SAFE_INTEGER;
  let isSaid = removal === undefined || fromSequence > 1;
  for (;;) {
    const rows = await session.query<AuditRow>(
      `select ${auditColumns} from audit_entry where tenant_id = $1 and sequence > $2::bigint order by sequence limit ${BATCH}`,
      [session.tenantId, next],
    );
    for (const row of rows) {
      const isLeft = row.sequence <= start.sequence;
      const broken =
        (isLeft ? brokenAlone(session.tenantId, row, start) : brokenLink(session.tenantId, row, sequence + 1, hash)) ??
        unlikeNoted(row, noted);
      if (broken !== undefined) return { ok: false, ...broken };
      if (!isLeft) ({ sequence, hash } = row);
      isSaid ||= removal !== undefined && saysRemoved(row, removal);
    }
    if (rows.length < BATCH) break;
    next = rows.at(-1)?.sequence ?? next;
  }
  if (!isSaid) return { ok: false, sequence: start.sequence, fault: "removed without an entry that says so" };
  // What was noted must still be there.
  if (noted !== undefined && sequence < noted.sequence) {
    return { ok: false, sequence: sequence + 1, fault: "sequence missing" };
  }
  const head = { sequence, hash: hash.toString("hex") };
  const removed = removal === undefined ? {} : { removedThrough: removal.sequence };
  return { ok: true, rows: sequence - start.sequence, head, ...removed };
}

/** The row before the first that is checked; undefined where it should be and is not. */
async function startOf(
  session: TenantSession,
  fromSequence: number,
  removal: ChainPlace | undefined,
): Promise<ChainPlace | undefined> {
  if (fromSequence <= 1) return removal ?? { sequence: 0, hash: Buffer.alloc(0) };
  const rows = await session.query<{ hash: Buffer }>(
    "select hash from audit_entry where tenant_id = $1 and sequence = $2::bigint",
    [session.tenantId, fromSequence - 1],
  );
  return rows[0] === undefined ? undefined : { sequence: fromSequence - 1, hash: rows[0].hash };
}

interface BrokenLink {
  readonly sequence: number;
  readonly fault: AuditFault;
}

function brokenLink(tenantId: number, row: AuditRow, expected: number, previous: Buffer): BrokenLink | undefined {
  if (row.sequence > expected) return { sequence: expected, fault: "sequence missing" };
  if (row.sequence < expected) return { sequence: row.sequence, fault: "sequence below the first" };
  if (!row.previousHash.equals(previous)) return { sequence: expected, fault: "previous hash differs" };
  if (!row.hash.equals(auditHash(tenantId, row, previous))) return { sequence: expected, fault: "hash differs" };
  return undefined;
}

/** A row whose neighbours were removed. */
function brokenAlone(tenantId: number, row: AuditRow, start: ChainPlace): BrokenLink | undefined {
  const { sequence } = row;
  if (sequence < 1) return { sequence, fault: "sequence below the first" };
  if (!row.hash.equals(auditHash(tenantId, row, row.previousHash))) return { sequence, fault: "hash differs" };
  if (sequence === start.sequence && !row.hash.equals(start.hash)) {
    return { sequence, fault: "not the hash that was removed" };
  }
  return undefined;
}

function unlikeNoted(row: AuditRow, noted: AuditHead | undefined): BrokenLink | undefined {
  if (noted === undefined || row.sequence !== noted.sequence || row.hash.toString("hex") === noted.hash)
    return undefined;
  return { sequence: row.sequence, fault: "not the hash that was noted" };
}

/** Which entries to read: those for which everything given holds. */
export interface AuditQuestion {
  readonly patientId?: string;
  readonly clientId?: string;
  /** Half-open, in epoch milliseconds. */
  readonly fromMs?: number;
  readonly untilMs?: number;
  /** Only this one. */
  readonly sequence?: number;
  /** Only those before this one: where the page before ended. */
  readonly beforeSequence?: number;
  readonly count: number;
}

/** The newest entries first, `count` at most. */
export async function readAudit(session: TenantSession, question: AuditQuestion): Promise<AuditRecord[]> {
  const values: unknown[] = [session.tenantId, question.count];
  const where = ["tenant_id = $1"];
  const ask = (condition: (parameter: string) => string, value: unknown) => {
    if (value === undefined) return;
    values.push(value);
    where.push(condition(`$${values.length}`));
  };
  // `&&` and not `@>`: only that operator may use an index under row-level security (see 0001_security.sql).
  ask((patient) => `patient_ids && array[${patient}::text]`, question.patientId);
  ask((client) => `client_id = ${client}::text`, question.clientId);
  ask((from) => `at >= ${from}::timestamptz`, boundOf(question.fromMs));
  ask((until) => `at < ${until}::timestamptz`, boundOf(question.untilMs));
  ask((sequence) => `sequence = ${sequence}::bigint`, question.sequence);
  ask((sequence) => `sequence < ${sequence}::bigint`, question.beforeSequence);
  const rows = await session.query<AuditRow>(
    `select ${auditColumns} from audit_entry where ${where.join(" and ")} order by audit_entry.sequence desc limit $2`,
    values,
  );
  return rows.map((row) => ({ sequence: row.sequence, entry: entryOf(row) }));
}

function boundOf(ms: number | undefined): string | undefined {
  return instant(ms) ?? undefined;
}
