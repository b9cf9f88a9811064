import { Readable } from "node:stream";
import type { FastifyReply, FastifyRequest } from "fastify";
import { bulkManifest, type ManifestFile } from "../fhir/bulk-manifest.ts";
import { type BulkFile, fileAsGzip, fileBytes, filesOf, gzipLength, ownFile } from "../flows/bulk-files.ts";
import { askAfter, type BulkJob, removeJob } from "../flows/bulk-jobs.ts";
import type { ImportPlace } from "../flows/import-place.ts";
import { rangeAsked, refuseForNow, takesGzip } from "./bulk-request.ts";
import type { Doors } from "./doors.ts";
import { RefusedRequest } from "./errors.ts";
import { answered, fhirBase } from "./fhir-answer.ts";
import { requireJson } from "./fhir-request.ts";

type Kind = BulkJob["kind"];
type JobRequest = FastifyRequest<{ Params: { jobId: string } }>;
type FileRequest = FastifyRequest<{ Params: { jobId: string; file: string } }>;

/** Where an export or import is asked after. */
export function jobAddress(doors: Doors, request: FastifyRequest, kind: Kind, jobId: string): string {
  return `${fhirBase(doors, request)}/$${kind}/${jobId}`;
}

/** 202 with how far it is, or the manifest (https://hl7.org/fhir/uv/bulkdata/STU2/export.html#bulk-data-status-request). */
export async function sendStatus(doors: Doors, request: JobRequest, reply: FastifyReply, kind: Kind) {
  requireJson(request);
  const { tenantId, grant, service } = request;
  const { jobId } = request.params;
  const job = answered(await askAfter(service, tenantId, grant.clientId, kind, jobId));
  if (job === "too soon")
    return refuseForNow(reply, { tooMany: "Asked again too soon. Wait as Retry-After says.", retrySeconds: 1 });
  if (job.reason !== undefined) {
    throw new RefusedRequest([{ kind: "exception", detail: `The ${kind} failed. ${job.reason}`, status: 500 }]);
  }
  if (job.state !== "done") {
    // Less than 100 characters, says the guide.
    reply.header("X-Progress", (job.progress || (job.state === "running" ? "begun" : "waiting")).slice(0, 99));
    reply.header("Retry-After", String(pauseAfter(service.now() - job.askedMs)));
    return reply.code(202).send();
  }
  const files = await filesOf(service, tenantId, job);
  const address = jobAddress(doors, request, kind, jobId);
  const text = kind === "export" ? exportManifest(job, files, address) : importManifest(job, files, address);
  return reply
    .header("Expires", new Date(job.expiresMs ?? 0).toUTCString())
    .type("application/json; charset=utf-8")
    .send(text);
}

/** Seconds to wait before the next question: a tenth of what it took so far, from 1 to 60. */
function pauseAfter(elapsedMs: number): number {
  return Math.max(1, Math.min(60, Math.round(elapsedMs / 10_000)));
}

function listed(files: readonly BulkFile[], role: BulkFile["role"], address: string): ManifestFile[] {
  return files
    .filter((one) => one.role === role)
    .map(({ type, name, lines }) => ({ type, url: `${address}/${name}.ndjson`, count: lines }));
}

function exportManifest(job: BulkJob, files: readonly BulkFile[], address: string): string {
  return bulkManifest({
    transactionTimeMs: job.transactionTimeMs ?? 0,
    request: job.requestUrl,
    output: listed(files, "output", address),
    deleted: listed(files, "deleted", address),
    error: listed(files, "error", address),
  });
}

/** The same form, with what became of the lines; what was refused can be fetched as it came, and sent again. */
function importManifest(job: BulkJob, files: readonly BulkFile[], address: string): string {
  const place = JSON.parse(job.place ?? "{}") as Partial<ImportPlace>;
  const { stored = 0, unchanged = 0, refused = 0 } = place;
  return JSON.stringify({
    transactionTime: new Date(job.transactionTimeMs ?? 0).toISOString(),
    request: job.requestUrl,
    requiresAccessToken: true,
    counts: { stored, unchanged, refused },
    output: [],
    error: listed(files, "error", address),
    refused: listed(files, "refused", address),
  });
}

/** Cancels what goes on, and takes the files away. */
export async function sendRemoved(request: JobRequest, reply: FastifyReply, kind: Kind) {
  const { tenantId, grant, service } = request;
  answered(await removeJob(service, tenantId, grant.clientId, kind, request.params.jobId));
  return reply.code(202).send();
}

/** A file: whole, packed where the client takes that, or one range of it (RFC 9110, 14). */
export async function sendFile(request: FileRequest, reply: FastifyReply, kind: Kind) {
  const { tenantId, grant, service } = request;
  const { jobId, file: name } = request.params;
  const bare = name.replace(/\.ndjson$/, "");
  const one = answered(await ownFile(service, tenantId, grant, kind, jobId, bare));
  const { bytes, crc32 } = one.file;
  const tag = `"${crc32.toString(16)}-${bytes}"`;
  const range = rangeAsked(request, bytes, tag);
  const isPacked = range === undefined && takesGzip(request);
  const ownTag = isPacked ? tag.replace(/"$/, '-gzip"') : tag;
  reply
    .header("ETag", ownTag)
    .header("Accept-Ranges", "bytes")
    .header("Vary", "Accept-Encoding")
    .header("Expires", new Date(one.expiresMs).toUTCString());
  if (range === "none") {
    reply.header("Content-Range", `bytes */${bytes}`);
    throw new RefusedRequest([{ kind: "value", detail: `The file has ${bytes} bytes.`, at: "Range", status: 416 }]);
  }
  if (request.headers["if-none-match"] === ownTag) return reply.code(304).send();
  reply.type("application/fhir+ndjson").header("Content-Disposition", `attachment; filename="${bare}.ndjson"`);
  const [first, end] = range ?? [0, bytes];
  if (range !== undefined) reply.code(206).header("Content-Range", `bytes ${first}-${end - 1}/${bytes}`);
  if (isPacked) reply.header("Content-Encoding", "gzip");
  const length = isPacked ? await gzipLength(service, tenantId, one, grant.clientId) : end - first;
  reply.header("Content-Length", String(length));
  if (request.method === "HEAD") return reply.send();
  const content = isPacked
    ? fileAsGzip(service, tenantId, one, grant.clientId)
    : fileBytes(service, tenantId, one, grant.clientId, [first, end]);
  return reply.send(Readable.from(content, { objectMode: false, highWaterMark: 1_048_576 }));
}
