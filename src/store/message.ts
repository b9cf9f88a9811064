import { instant, type TenantSession } from "./database.ts";
import { type StoredResource, storedColumns } from "./resource.ts";
import type { UploadStatus } from "./upload.ts";

/** What was answered to a message, as text: the accept acknowledgement, and that of the application. */
export interface StoredAnswers {
  readonly accept?: string;
  readonly application?: string;
}

/** A message beside its bytes, which `received_upload` keeps. */
export interface StoredMessage {
  readonly messageId: string;
  readonly receivedMs: number;
  readonly sender: string;
  readonly controlId: string;
  readonly clientId: string;
  readonly messageCode: string;
  readonly triggerEvent: string;
  readonly eventMs?: number;
  readonly sequenceNumber?: number;
  readonly answers: StoredAnswers;
  readonly patientIds: readonly string[];
  readonly corrects?: string;
}

/** A message with what became of it. */
export interface ListedMessage extends StoredMessage {
  readonly status: UploadStatus;
  readonly reason?: string;
  readonly attempts: number;
  readonly lastTriedMs: number;
  readonly sizeBytes: number;
  readonly report: unknown;
}

const columns = `m.message_id as "messageId", m.received_at as "receivedMs", m.sender, m.control_id as "controlId",
  m.client_id as "clientId", m.message_code as "messageCode", m.trigger_event as "triggerEvent", m.event_at as "eventMs",
  m.sequence_number as "sequenceNumber", m.answers, m.patient_ids as "patientIds", m.corrects`;

/**
 * Notes a message that has just been kept; answers the one that its sender sent under the same control id, which is this one
 * unless that id was used before.
 */
export async function noteMessage(
  session: TenantSession,
  message: Omit<StoredMessage, "answers" | "patientIds" | "eventMs" | "sequenceNumber">,
): Promise<{ readonly messageId: string; readonly status: UploadStatus; readonly answers: StoredAnswers }> {
  await session.query(
    `insert into received_message (tenant_id, message_id, received_at, sender, control_id, client_id, message_code, trigger_event,
       answers, patient_ids, corrects)
     values ($1, $2, $3, $4, $5, $6, $7, $8, '{}', '{}', $9) on conflict do nothing`,
    [
      session.tenantId,
      message.messageId,
      instant(message.receivedMs),
      message.sender,
      message.controlId,
      message.clientId,
      message.messageCode,
      message.triggerEvent,
      message.corrects ?? null,
    ],
  );
  const rows = await session.query<{ messageId: string; status: UploadStatus; answers: StoredAnswers }>(
    `select m.message_id as "messageId", u.status, m.answers
     from received_message m join received_upload u on u.tenant_id = m.tenant_id and u.upload_id = m.message_id
     where m.tenant_id = $1 and ((m.sender = $2 and m.control_id = $3 and m.corrects is null and $4::text is null) or m.message_id = $5)
     order by (m.message_id = $5)::int, m.message_id limit 1`,
    [session.tenantId, message.sender, message.controlId, message.corrects ?? null, message.messageId],
  );
  return rows[0] ?? { messageId: message.messageId, status: "refused", answers: {} };
}

/** What became of a message as it stands now; undefined where it was never kept. */
export async function messageStatus(
  session: TenantSession,
  messageId: string,
): Promise<{ readonly status: UploadStatus; readonly answers: StoredAnswers } | undefined> {
  const rows = await session.query<{ status: UploadStatus; answers: StoredAnswers }>(
    `select u.status, m.answers from received_message m
     join received_upload u on u.tenant_id = m.tenant_id and u.upload_id = m.message_id
     where m.tenant_id = $1 and m.message_id = $2`,
    [session.tenantId, messageId],
  );
  return rows[0];
}

/** Notes what was answered, whom the message was about, when it happened, and its number where it came in its turn. */
export async function settleMessage(
  session: TenantSession,
  messageId: string,
  settled: Pick<StoredMessage, "answers" | "patientIds" | "eventMs" | "sequenceNumber">,
): Promise<void> {
  await session.query(
    `with before as (
       update received_message o set sequence_number = null from received_message m
       where m.tenant_id = $1 and m.message_id = $2 and o.tenant_id = $1 and o.sender = m.sender and o.message_id <> $2
         and o.sequence_number is not null and $6::int is not null)
     update received_message set answers = $3::jsonb, patient_ids = $4, event_at = coalesce($5::timestamptz, event_at),
       sequence_number = coalesce($6::int, sequence_number)
     where tenant_id = $1 and message_id = $2`,
    [
      session.tenantId,
      messageId,
      JSON.stringify(settled.answers),
      settled.patientIds,
      instant(settled.eventMs),
      settled.sequenceNumber ?? null,
    ],
  );
}

/** The number of the last message that a sender sent in its turn (MSH-13): one row of each sender keeps it. */
export async function lastSequenceNumber(session: TenantSession, sender: string): Promise<number | undefined> {
  const rows = await session.query<{ number: number }>(
    `select sequence_number as number from received_message
     where tenant_id = $1 and sender = $2 and sequence_number is not null`,
    [session.tenantId, sender],
  );
  return rows[0]?.number;
}

const listed = `select ${columns}, u.status, u.reason, u.attempts, u.last_tried_at as "lastTriedMs", u.size_bytes as "sizeBytes", u.report
  from received_message m join received_upload u on u.tenant_id = m.tenant_id and u.upload_id = m.message_id
  where m.tenant_id = $1`;

/** Messages newest first, optionally of one state; `before` pages. What a person has corrected is not refused any more. */
export async function listMessages(
  session: TenantSession,
  options: {
    readonly state?: "accepted" | "refused";
    readonly before?: { readonly receivedMs: number; readonly messageId: string };
    readonly count: number;
  },
): Promise<ListedMessage[]> {
  const rows = await session.query<ListedMessage>(
    `${listed} and ($2::text is null or (u.status = $2 and u.reason is distinct from 'corrected'))
       and ($3::timestamptz is null or (m.received_at, m.message_id) < ($3, $4::text))
     order by m.received_at desc, m.message_id desc limit $5`,
    [
      session.tenantId,
      options.state ?? null,
      instant(options.before?.receivedMs),
      options.before?.messageId ?? null,
      options.count,
    ],
  );
  return rows.map(withoutNulls);
}

/** One message with what became of it. */
export async function readStoredMessage(session: TenantSession, messageId: string): Promise<ListedMessage | undefined> {
  const rows = await session.query<ListedMessage>(`${listed} and m.message_id = $2`, [session.tenantId, messageId]);
  return rows[0] && withoutNulls(rows[0]);
}

function withoutNulls(row: ListedMessage): ListedMessage {
  return Object.fromEntries(Object.entries(row).filter(([, value]) => value !== null)) as unknown as ListedMessage;
}

/** Current resources of a type that any of these search terms finds, by id; at most `most`. */
export async function resourcesWithTerms(
  session: TenantSession,
  type: string,
  terms: readonly string[],
  most: number,
): Promise<StoredResource[]> {
  if (terms.length === 0) return [];
  return session.query<StoredResource>(
    `select ${storedColumns("r")} from resource r
     where r.tenant_id = $1 and r.type = $2 and not r.deleted and r.terms && $3::bigint[] order by r.id limit $4`,
    [session.tenantId, type, terms, most],
  );
}

/** Subjects of open findings of one rule that name a patient and concern none. */
export async function openSubjectsNaming(session: TenantSession, rule: string, patientId: string): Promise<string[]> {
  const rows = await session.query<{ subject: string }>(
    `select distinct subject from finding_task
     where tenant_id = $1 and patient_id = '' and rule = $2 and open and $3 = any(string_to_array(split_part(subject, ':', 2), '+'))
     order by subject`,
    [session.tenantId, rule, patientId],
  );
  return rows.map(({ subject }) => subject);
}
