import { instant, type TenantSession } from "./database.ts";

/** Why the content of an upload is not here any more. */
export type Removal = "erasure" | "retention";

/** In SQL, whether the content of an upload was removed. It may lie there for another moment, until its month goes. */
export const contentIsRemoved = "(report ? 'contentRemoved')";

/** In SQL, the join of an upload with its content: filed under when it arrived, or with what is kept; two partitions to look at. */
export const contentOf = (content: string, upload: string) =>
  `${content}.tenant_id = $1 and ${content}.upload_id = ${upload}.upload_id and ${content}.filed_at in (${upload}.received_at, 'infinity')`;

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
       -- Of a message it is known whom it is about, whoever had its device.
       and not exists (select from received_message m where m.tenant_id = $1 and m.message_id = upload_id
         and cardinality(m.patient_ids) > 0
         and not exists (select from erasing e where e.type = 'Patient' and e.id = any(m.patient_ids)))
     order by upload_id`,
    [session.tenantId, about.deviceIds, about.identifiers, about.uploadIds],
  );
}

/** Uploads with content that were not even read so far that anybody knows their device, or whom a message is about. */
export async function uploadsOfNoDevice(session: TenantSession): Promise<string[]> {
  const rows = await session.query<{ id: string }>(
    `select upload_id as id from received_upload where tenant_id = $1 and not ${contentIsRemoved}
       and device_id is null and device_identifier is null
       and not exists (select from received_message m where m.tenant_id = $1 and m.message_id = upload_id and cardinality(m.patient_ids) > 0)
     order by upload_id`,
    [session.tenantId],
  );
  return rows.map(({ id }) => id);
}

const documentReference = '"DocumentReference/';

/**
 * Uploads from which resources that are being erased were stored: the documents that their bodies point to first, and
 * messages about the people who go.
 */
export async function uploadsOfErased(session: TenantSession): Promise<string[]> {
  const rows = await session.query<{ id: string }>(
    `select id from erasing where type = 'DocumentReference' union
     select split_part(split_part(r.body, $2, 2), '"', 1) collate "C" from resource r join erasing e using (type, id)
     where r.tenant_id = $1 and position($2 in r.body) > 0 union
     select m.message_id from received_message m join erasing e on e.type = 'Patient' and e.id = any(m.patient_ids)
     where m.tenant_id = $1`,
    [session.tenantId, documentReference],
  );
  return rows.map(({ id }) => id);
}

/** Numbers of the report that tell of no record in particular. */
const counts = `jsonb_strip_nulls(jsonb_build_object('received', report -> 'received', 'created', report -> 'created',
  'unchanged', report -> 'unchanged', 'retimed', report -> 'retimed', 'refusedCount', jsonb_array_length(
    case when jsonb_typeof(report -> 'refused') = 'array' then report -> 'refused' else '[]' end)))`;

const removed = (why: Removal) =>
  `jsonb_build_object('contentRemoved', jsonb_build_object('why', '${why}', 'at', $3::text, 'bytes', size_bytes))`;

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
    `with content as (
       delete from received_content c using received_upload u
       where ${contentOf("c", "u")} and u.tenant_id = $1 and u.upload_id = $2)
     update received_upload set report = ${counts} || ${removed("erasure")}, reason = 'erased'${forget}
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
 * `size` of all of them together. Undefined where there are no more. Contents that came before `wholeBeforeMs` are only said
 * to be removed: they go with their month (src/store/partition.ts), without a dead row each.
 */
export async function removeOldContent(
  session: TenantSession,
  options: {
    readonly beforeMs: number;
    readonly wholeBeforeMs: number;
    readonly nowMs: number;
    readonly after: UploadPlace;
    readonly count: number;
  },
): Promise<{ rows: number; bytes: number; last: UploadPlace } | undefined> {
  const rows = await session.query<UploadPlace & { size: number }>(
    `with due as (
       select upload_id, received_at from received_upload
       where tenant_id = $1 and status = 'accepted' and received_at < $2 and (received_at, upload_id) > ($4::timestamptz, $5::text)
         and not ${contentIsRemoved}
       order by received_at, upload_id limit $6 for update
     ), content as (
       delete from received_content c using due
       where ${contentOf("c", "due")} and (due.received_at >= $7::timestamptz or c.filed_at = 'infinity'))
     update received_upload u set report = u.report || ${removed("retention")}
     from due where u.tenant_id = $1 and u.upload_id = due.upload_id
     returning u.received_at as "receivedMs", u.upload_id as "uploadId", u.size_bytes as size`,
    [
      session.tenantId,
      instant(options.beforeMs),
      instant(options.nowMs),
      instant(options.after.receivedMs),
      options.after.uploadId,
      options.count,
      instant(options.wholeBeforeMs),
    ],
  );
  const last = rows.sort((a, b) => a.receivedMs - b.receivedMs || (a.uploadId < b.uploadId ? -1 : 1)).at(-1);
  return last && { rows: rows.length, bytes: rows.reduce((sum, { size }) => sum + size, 0), last };
}

/**
 * Files contents of one month that are still wanted (something of the upload was refused) with those that are kept, so that
 * the month can go. What stays behind is removed already. Answers how many were filed.
 */
export async function keepContents(
  session: TenantSession,
  month: { readonly startMs: number; readonly endMs: number },
): Promise<number> {
  const rows = await session.query<{ filed: number }>(
    `with filed as (
       update received_content c set filed_at = 'infinity' from received_upload u
       where c.tenant_id = $1 and c.filed_at >= $2 and c.filed_at < $3
         and u.tenant_id = $1 and u.upload_id = c.upload_id and not ${contentIsRemoved}
       returning 1)
     select count(*)::int as filed from filed`,
    [session.tenantId, instant(month.startMs), instant(month.endMs)],
  );
  return rows[0]?.filed ?? 0;
}
