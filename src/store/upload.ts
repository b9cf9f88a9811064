import { instant, type TenantSession } from "./database.ts";
import { contentIsRemoved, contentOf } from "./upload-content.ts";

/** What became of an upload. */
export type UploadStatus = "accepted" | "partly-refused" | "refused";

/** An upload as received, with what became of it. */
export interface ReceivedUpload {
  readonly uploadId: string;
  readonly receivedMs: number;
  readonly lastTriedMs: number;
  readonly attempts: number;
  readonly contentType: string;
  readonly contentEncoding: string;
  readonly sha256: string;
  readonly sizeBytes: number;
  readonly status: UploadStatus;
  readonly reason?: string;
  readonly deviceIdentifier?: string;
  readonly deviceId?: string;
  readonly report: unknown;
}

/** One record that was refused, as received. */
export interface RefusedRecord {
  readonly position: number;
  readonly kind: string;
  readonly refusals: unknown;
  readonly received: unknown;
  readonly sessionId?: string;
}

const listColumns = `upload_id as "uploadId", received_at as "receivedMs", last_tried_at as "lastTriedMs", attempts,
  content_type as "contentType", content_encoding as "contentEncoding", encode(sha256, 'hex') as sha256,
  size_bytes as "sizeBytes", status, reason, device_identifier as "deviceIdentifier", device_id as "deviceId", report`;

/**
 * Keeps what arrived, byte for byte; the same bytes again only count one more attempt. Answers how many there were, and
 * whether these bytes were erased with a person: what was erased does not come back.
 */
export async function keepUpload(
  session: TenantSession,
  upload: {
    uploadId: string;
    nowMs: number;
    contentType: string;
    contentEncoding: string;
    sha256: Buffer;
    bytes: Uint8Array;
  },
): Promise<{ attempts: number; isErased: boolean }> {
  const rows = await session.query<{ attempts: number; isErased: boolean }>(
    `with kept as (
       insert into received_upload (tenant_id, upload_id, received_at, last_tried_at, attempts, content_type, content_encoding,
         sha256, size_bytes, status, report)
       values ($1, $2, $3, $3, 1, $4, $5, $6, length($7::bytea), 'refused', '{}')
       on conflict (tenant_id, upload_id) do update
         set attempts = received_upload.attempts + 1, last_tried_at = excluded.last_tried_at
       returning attempts, reason is not distinct from 'erased' as "isErased"
     ), content as (
       insert into received_content (tenant_id, upload_id, filed_at, bytes) select $1, $2, $3, $7 from kept where attempts = 1)
     select attempts, "isErased" from kept`,
    [
      session.tenantId,
      upload.uploadId,
      instant(upload.nowMs),
      upload.contentType,
      upload.contentEncoding,
      upload.sha256,
      upload.bytes,
    ],
  );
  return rows[0] ?? { attempts: 1, isErased: false };
}

/** Notes what became of an upload, replacing what an earlier attempt noted. */
export async function settleUpload(
  session: TenantSession,
  uploadId: string,
  outcome: {
    status: UploadStatus;
    reason?: string;
    deviceIdentifier?: string;
    deviceId?: string;
    report: unknown;
    refusedRecords: readonly RefusedRecord[];
  },
): Promise<void> {
  await session.query(
    `with gone as (delete from refused_record where tenant_id = $1 and upload_id = $2 and position <> all($8::int[])),
     kept as (
       insert into refused_record (tenant_id, upload_id, position, kind, refusals, received, session_id)
       select $1, $2, position, kind, refusals, received, session_id
       from jsonb_to_recordset($9::jsonb) as r(position int, kind text, refusals jsonb, received jsonb, session_id text)
       on conflict (tenant_id, upload_id, position) do update
         set kind = excluded.kind, refusals = excluded.refusals, received = excluded.received, session_id = excluded.session_id)
     update received_upload set status = $3, reason = $4, device_identifier = $5, device_id = $6,
       report = $7::jsonb || case when report ? 'contentRemoved'
         then jsonb_build_object('contentRemoved', report -> 'contentRemoved') else '{}'::jsonb end
     where tenant_id = $1 and upload_id = $2`,
    [
      session.tenantId,
      uploadId,
      outcome.status,
      outcome.reason ?? null,
      outcome.deviceIdentifier ?? null,
      outcome.deviceId ?? null,
      JSON.stringify(outcome.report),
      outcome.refusedRecords.map((record) => record.position),
      JSON.stringify(outcome.refusedRecords.map((record) => ({ ...record, session_id: record.sessionId }))),
    ],
  );
}

/** One upload without its bytes. */
export async function readUpload(session: TenantSession, uploadId: string): Promise<ReceivedUpload | undefined> {
  const rows = await session.query<ReceivedUpload>(
    `select ${listColumns} from received_upload where tenant_id = $1 and upload_id = $2`,
    [session.tenantId, uploadId],
  );
  return rows[0];
}

/** The bytes of an upload, exactly as they arrived. */
export interface UploadContent {
  readonly bytes: Buffer;
  readonly contentType: string;
  readonly contentEncoding: string;
  readonly receivedMs: number;
  /** The bytes were taken away since, at an erasure or when their time was over. */
  readonly isRemoved: boolean;
}

/** The content of one upload; undefined where no such upload arrived. */
export async function readUploadBytes(session: TenantSession, uploadId: string): Promise<UploadContent | undefined> {
  const rows = await session.query<UploadContent>(
    `select coalesce(c.bytes, '') as bytes, content_type as "contentType", content_encoding as "contentEncoding",
       received_at as "receivedMs", ${contentIsRemoved} or c.bytes is null as "isRemoved"
     from received_upload u
     -- With a limit it stays a question of its own, asked when the time of arrival is known, in two months and not in all.
     left join lateral (select c.bytes from received_content c where ${contentOf("c", "u")} limit 1) c on true
     where u.tenant_id = $1 and u.upload_id = $2`,
    [session.tenantId, uploadId],
  );
  return rows[0];
}

/** Uploads newest first, optionally of one status; `before` pages. */
export async function listUploads(
  session: TenantSession,
  options: { status?: UploadStatus; before?: { receivedMs: number; uploadId: string }; count: number },
): Promise<ReceivedUpload[]> {
  return session.query<ReceivedUpload>(
    `select ${listColumns} from received_upload
     where tenant_id = $1 and ($2::text is null or status = $2)
       and ($3::timestamptz is null or (received_at, upload_id) < ($3, $4::text))
     order by received_at desc, upload_id desc limit $5`,
    [
      session.tenantId,
      options.status ?? null,
      instant(options.before?.receivedMs),
      options.before?.uploadId ?? null,
      options.count,
    ],
  );
}

/** The refused records of an upload, in the order received. */
export async function readRefusedRecords(session: TenantSession, uploadId: string): Promise<RefusedRecord[]> {
  return session.query<RefusedRecord>(
    `select position, kind, refusals, received, session_id as "sessionId" from refused_record
     where tenant_id = $1 and upload_id = $2 order by position`,
    [session.tenantId, uploadId],
  );
}

/**
 * What of one device could not be matched and still waits, or an empty list. Of an unknown device no record was even
 * looked at, so all that arrived wait; of a known one those that were refused because nobody had it.
 */
export async function unmatchedUploads(
  session: TenantSession,
  deviceIdentifier: string,
): Promise<{ uploadId: string; reason: string; receivedMs: number; refusedCount: number }[]> {
  return session.query(
    `select u.upload_id as "uploadId", u.reason, u.received_at as "receivedMs",
       case when u.reason = 'unknown-device' then (u.report ->> 'received')::int else
         (select count(*)::int from refused_record r
          where r.tenant_id = u.tenant_id and r.upload_id = u.upload_id and r.kind = 'device-with-nobody') end as "refusedCount"
     from received_upload u where u.tenant_id = $1 and u.device_identifier = $2
       and u.reason in ('unknown-device', 'device-with-nobody') order by u.received_at, u.upload_id limit 200`,
    [session.tenantId, deviceIdentifier],
  );
}
