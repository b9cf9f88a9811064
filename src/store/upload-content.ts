import { instant, type TenantSession } from "./database.ts";

/** Why the content of an upload is not here any more. */
export type Removal = "erasure" | "retention";

/** In SQL, whether the content of an upload was removed: nothing is left of it, and nothing is not what arrived. */
export const contentIsRemoved = "(bytes = '' and sha256 <> sha256(''))";

/** Uploads with content that are of these devices, by id or by identifier, or have these ids. */
export async function uploadsOf(
  session: TenantSession,
  about: {
    readonly deviceIds: readonly string[];
    readonly identifiers: readonly string[];
    readonly uploadIds: readonly string[];
  },
): Promise<{ uploadId: string; deviceId: string | null }[]> {
  return session.query(
    `select upload_id as "uploadId", device_id as "deviceId" from received_upload where tenant_id = $1 and not ${contentIsRemoved}
       and (device_id = any($2::text[]) or device_identifier = any($3::text[]) or upload_id = any($4::text[]))
     order by upload_id`,
    [session.tenantId, about.deviceIds, about.identifiers, about.uploadIds],
  );
}

/** Uploads with content that were not even read so far that anybody knows their device. */
export async function uploadsOfNoDevice(session: TenantSession): Promise<string[]> {
  const rows = await session.query<{ id: string }>(
    `select upload_id as id from received_upload where tenant_id = $1 and not ${contentIsRemoved}
       and device_id is null and device_identifier is null order by upload_id`,
    [session.tenantId],
  );
  return rows.map(({ id }) => id);
}

const documentReference = '"DocumentReference/';

/** Uploads from which resources that are being erased were stored: the documents that their bodies point to first. */
export async function uploadsOfErased(session: TenantSession): Promise<string[]> {
  const rows = await session.query<{ id: string }>(
    `select id from erasing where type = 'DocumentReference' union
     select split_part(split_part(r.body, $2, 2), '"', 1) collate "C" from resource r join erasing e using (type, id)
     where r.tenant_id = $1 and position($2 in r.body) > 0`,
    [session.tenantId, documentReference],
  );
  return rows.map(({ id }) => id);
}

/** Numbers of the report that tell of no record in particular. */
const counts = `jsonb_strip_nulls(jsonb_build_object('received', report -> 'received', 'created', report -> 'created',
  'unchanged', report -> 'unchanged', 'retimed', report -> 'retimed', 'refusedCount', jsonb_array_length(
    case when jsonb_typeof(report -> 'refused') = 'array' then report -> 'refused' else '[]' end)))`;

const removed = (why: Removal) =>
  `jsonb_build_object('contentRemoved', jsonb_build_object('why', '${why}', 'at', $3::text, 'bytes', length(bytes)))`;

/**
 * Cuts the content of an upload for an erasure; hash, size and counts stay, and the same bytes are not taken in again. One
 * that tells of the erased person alone forgets its device as well.
 */
export async function eraseContent(
  session: TenantSession,
  upload: { readonly uploadId: string; readonly isShared: boolean },
  nowMs: number,
): Promise<void> {
  const forget = upload.isShared ? "" : ", device_id = null, device_identifier = null";
  await session.query(
    `update received_upload set report = ${counts} || ${removed("erasure")}, bytes = '', reason = 'erased'${forget}
     where tenant_id = $1 and upload_id = $2`,
    [session.tenantId, upload.uploadId, instant(nowMs)],
  );
}

/** Deletes refused records at these positions of an upload; answers how many there were. */
export async function deleteRefusedRecords(
  session: TenantSession,
  uploadId: string,
  positions: readonly number[],
): Promise<number> {
  const rows = await session.query(
    "delete from refused_record where tenant_id = $1 and upload_id = $2 and position = any($3::int[]) returning position",
    [session.tenantId, uploadId, positions],
  );
  return rows.length;
}

/** Where a walk through the uploads by age has come to. */
export interface UploadPlace {
  readonly receivedMs: number;
  readonly uploadId: string;
}

/**
 * Removes the content of the next uploads received before a moment of which everything was taken in, `count` at most;
 * `size` of all of them together. Undefined where there are no more.
 */
export async function removeOldContent(
  session: TenantSession,
  options: { readonly beforeMs: number; readonly nowMs: number; readonly after: UploadPlace; readonly count: number },
): Promise<{ rows: number; bytes: number; last: UploadPlace } | undefined> {
  const rows = await session.query<UploadPlace & { size: number }>(
    `with due as (
       select upload_id, received_at, length(bytes) as size from received_upload
       where tenant_id = $1 and status = 'accepted' and received_at < $2 and (received_at, upload_id) > ($4::timestamptz, $5::text)
         and not ${contentIsRemoved}
       order by received_at, upload_id limit $6 for update)
     update received_upload u set report = u.report || ${removed("retention").replace("length(bytes)", "due.size")}, bytes = ''
     from due where u.tenant_id = $1 and u.upload_id = due.upload_id
     returning u.received_at as "receivedMs", u.upload_id as "uploadId", due.size`,
    [
      session.tenantId,
      instant(options.beforeMs),
      instant(options.nowMs),
      instant(options.after.receivedMs),
      options.after.uploadId,
      options.count,
    ],
  );
  const last = rows.sort((a, b) => a.receivedMs - b.receivedMs || (a.uploadId < b.uploadId ? -1 : 1)).at(-1);
  return last && { rows: rows.length, bytes: rows.reduce((sum, { size }) => sum + size, 0), last };
}
