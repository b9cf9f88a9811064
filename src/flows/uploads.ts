import { accepted, type Result, refused } from "../domain/result.ts";
import { readInTenant } from "../store/database.ts";
import {
  listUploads,
  type ReceivedUpload,
  type RefusedRecord,
  readRefusedRecords,
  readUpload,
  readUploadBytes,
  type UploadStatus,
} from "../store/upload.ts";
import type { Mending } from "./kept-upload.ts";
import { processUpload, type UploadReport } from "./record-use.ts";
import type { Service } from "./service.ts";

/** An upload with the records of it that were refused, each beside the stored session it contradicts. */
export interface UploadDetail extends ReceivedUpload {
  readonly refusedRecords: readonly RefusedRecord[];
}

/** Uploads newest first, a page at a time. */
export async function uploads(
  service: Service,
  tenantId: number,
  options: { status?: UploadStatus; before?: { receivedMs: number; uploadId: string }; count: number },
): Promise<ReceivedUpload[]> {
  return readInTenant(service.database, tenantId, (session) => listUploads(session, options));
}

/** One upload and what of it was refused. */
export async function upload(service: Service, tenantId: number, uploadId: string): Promise<Result<UploadDetail>> {
  return readInTenant(service.database, tenantId, async (session): Promise<Result<UploadDetail>> => {
    const found = await readUpload(session, uploadId);
    if (found === undefined) return unknownUpload(uploadId);
    return accepted({ ...found, refusedRecords: await readRefusedRecords(session, uploadId) });
  });
}

/** The bytes of an upload, exactly as they arrived. */
export async function uploadBytes(
  service: Service,
  tenantId: number,
  uploadId: string,
): Promise<Result<{ bytes: Buffer; contentType: string; contentEncoding: string }>> {
  const found = await readInTenant(service.database, tenantId, (session) => readUploadBytes(session, uploadId));
  if (found === undefined) return unknownUpload(uploadId);
  return found.isRemoved ? removedContent(uploadId) : accepted(found);
}

/** Processes a kept upload again, after whatever stood in its way has been mended; records stored already stay once. */
export async function replayUpload(
  service: Service,
  tenantId: number,
  uploadId: string,
  mending: Mending,
  limits: { maxBytes: number },
): Promise<Result<UploadReport>> {
  const found = await readInTenant(service.database, tenantId, (session) => readUploadBytes(session, uploadId));
  if (found === undefined) return unknownUpload(uploadId);
  if (found.isRemoved) return removedContent(uploadId);
  return processUpload(service, tenantId, { ...found, uploadId, limits, mending, again: true });
}

function unknownUpload(uploadId: string): Result<never> {
  return refused({ kind: "not-found", detail: `No upload ${uploadId} was received here.`, status: 404 });
}

function removedContent(uploadId: string): Result<never> {
  const detail = `The content of ${uploadId} was removed: its person was erased, or its time was over. What the report says of it stays. Ask whoever sent it where it is still needed.`;
  return refused({ kind: "deleted", detail, status: 410 });
}
