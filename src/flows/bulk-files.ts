import { accepted, type Result, refused } from "../domain/result.ts";
import { allows } from "../fhir/scopes.ts";
import { type BulkFile, listFiles, packedBytes, readChunks } from "../store/bulk-file.ts";
import { type BulkAttempt, type BulkJob, lookAtBulk } from "../store/bulk-job.ts";
import { type Confinement, readSnapshotInTenant } from "../store/database.ts";
import { ownJob } from "./bulk-jobs.ts";
import type { Grant } from "./grant.ts";
import { gzipHead, gzipTail, unpacked } from "./ndjson-writer.ts";
import type { Service } from "./service.ts";

export type { BulkFile } from "../store/bulk-file.ts";

/** A file of a client's own job, for whoever may have it. */
export interface OwnFile {
  readonly file: BulkFile;
  readonly attempt: BulkAttempt;
  readonly expiresMs: number;
}

/** The attempt whose files count: those of an import grow through all attempts. */
export function filesAttempt({ kind, jobId, attempt }: BulkJob): BulkAttempt {
  return { jobId, attempt: kind === "export" ? attempt : 0 };
}

/** The files of a job of the client's own. */
export function filesOf(service: Service, tenantId: number, job: BulkJob): Promise<BulkFile[]> {
  return readSnapshotInTenant(service.database, tenantId, async (session) => {
    await lookAtBulk(session, job.clientId);
    return listFiles(session, filesAttempt(job));
  });
}

/**
 * One file of a finished job of the client's own. Refused where the token may see less now than the kick-off might: then the
 * file may hold what the client is no longer to have.
 */
export async function ownFile(
  service: Service,
  tenantId: number,
  grant: Grant,
  kind: BulkJob["kind"],
  jobId: string,
  name: string,
): Promise<Result<OwnFile>> {
  const found = await ownJob(service, tenantId, grant.clientId, kind, jobId);
  if (!found.ok) return found;
  const job = found.value;
  const shown = job.state === "done" ? await filesOf(service, tenantId, job) : [];
  const file = shown.find((one) => one.name === name && one.role !== "later");
  if (file === undefined || job.expiresMs === undefined) {
    const detail = "There is no such file. The manifest names those that there are.";
    return refused({ kind: "not-found", detail, status: 404 });
  }
  const kept = JSON.parse(job.confinement) as Confinement;
  const type = file.role === "deleted" ? (/^deleted-(\w+)-/.exec(name)?.[1] ?? "") : file.type;
  const mayType = type === "OperationOutcome" || mayExport(grant, type);
  if (!sees(service.database.confinement ?? {}, kept) || (kind === "export" && !mayType)) {
    const detail = "Since this was begun the client was allowed less, or this token is. Begin a new export.";
    return refused({ kind: "forbidden", detail, status: 403 });
  }
  return accepted({ file, attempt: filesAttempt(job), expiresMs: job.expiresMs });
}

/** Whether a client may export a type: read and search it. */
export function mayExport({ scopes }: Grant, type: string): boolean {
  return (["r", "s"] as const).every((to) => allows(scopes, { context: "system", of: type, to }));
}

/** Whether who is confined so now sees at least the people and labels that showed under the confinement of before. */
function sees(now: Confinement, before: Confinement): boolean {
  const people = now.patientId === undefined || now.patientId === before.patientId;
  const places =
    now.organizationIds === undefined ||
    (before.organizationIds?.every((id) => now.organizationIds?.includes(id) === true) ?? false);
  const labels =
    now.confidentiality === undefined ||
    (before.confidentiality !== undefined && before.confidentiality <= now.confidentiality);
  return people && places && labels && (now.consent === undefined || before.consent !== undefined);
}

/** Pieces that are read at once: no connection waits for a slow reader. */
const piecesAtOnce = 4;

async function* pieces(service: Service, tenantId: number, one: OwnFile, clientId: string, fromByte: number) {
  let next = fromByte;
  while (next < one.file.bytes) {
    const from = next;
    const found = await readSnapshotInTenant(service.database, tenantId, async (session) => {
      await lookAtBulk(session, clientId);
      return readChunks(session, one.attempt, one.file.name, from, piecesAtOnce);
    });
    if (found.length === 0) throw new Error("a file was taken away while it was sent");
    for (const piece of found) {
      yield piece;
      next = piece.firstByte + piece.bytes;
    }
  }
}

/** The bytes of a file from `firstByte` up to but not including `endByte`. */
export async function* fileBytes(
  service: Service,
  tenantId: number,
  one: OwnFile,
  clientId: string,
  [firstByte, endByte]: readonly [number, number],
): AsyncGenerator<Buffer> {
  for await (const piece of pieces(service, tenantId, one, clientId, firstByte)) {
    if (piece.firstByte >= endByte) return;
    const bytes = await unpacked(piece);
    yield bytes.subarray(Math.max(0, firstByte - piece.firstByte), endByte - piece.firstByte);
    if (piece.firstByte + piece.bytes >= endByte) return;
  }
}

/** A file as one gzip stream, from pieces as they are stored. */
export async function* fileAsGzip(
  service: Service,
  tenantId: number,
  one: OwnFile,
  clientId: string,
): AsyncGenerator<Buffer> {
  yield gzipHead;
  for await (const piece of pieces(service, tenantId, one, clientId, 0)) yield piece.packed;
  yield gzipTail(one.file);
}

/** How long a file is as one gzip stream. */
export async function gzipLength(service: Service, tenantId: number, one: OwnFile, clientId: string): Promise<number> {
  const bytes = await readSnapshotInTenant(service.database, tenantId, async (session) => {
    await lookAtBulk(session, clientId);
    return packedBytes(session, one.attempt, one.file.name);
  });
  return gzipHead.length + bytes + gzipTail(one.file).length;
}
