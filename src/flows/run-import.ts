import { readScopes } from "../fhir/scopes.ts";
import { noteAudit } from "../store/audit.ts";
import { deleteFile, readChunks } from "../store/bulk-file.ts";
import { type BulkJob, finishBulkJob, savePlace } from "../store/bulk-job.ts";
import type { Confinement } from "../store/database.ts";
import { bulkEntry } from "./bulk-entry.ts";
import { orSuperseded, type Pulse, workingOnBulk } from "./bulk-pulse.ts";
import { asWriter } from "./grant.ts";
import { type ImportRun, settleLines } from "./import-batch.ts";
import { type CheckedLine, checkLine, type ImportLine, type RefusedLine } from "./import-line.ts";
import { firstPlace, type ImportPlace, laterFile } from "./import-place.ts";
import { unpacked } from "./ndjson-writer.ts";
import { sourceFile } from "./receive-import.ts";
import type { Service } from "./service.ts";
import { audited, writtenEntry } from "./trail.ts";

/** Lines of a transaction, and passes over what was put off. */
const [linesAtOnce, mostPasses] = [100, 20];

/**
 * Takes the lines of an import in, batch by batch. Where it goes on stands in each batch's own transaction: a worker that dies
 * leaves nothing half done, and nothing is done twice. Lines that point to what a later line brings wait for the next pass;
 * where a pass brought nothing further, what still waits is refused in the last one.
 */
export async function runImport(service: Service, tenantId: number, job: BulkJob, pulse: Pulse): Promise<void> {
  const { lines } = JSON.parse(job.asked) as { lines: number };
  const run: ImportRun = { service: writingService(service, job), tenantId, job };
  const told = ({ stored, unchanged, refused }: ImportPlace) => {
    pulse.progress = `${stored + unchanged + refused} of ${lines} lines settled, ${refused} refused`;
    pulse.goOn();
  };
  let place = job.place === undefined ? firstPlace : (JSON.parse(job.place) as ImportPlace);
  for (;;) {
    place = await runPass(run, place, told);
    if (place.files[laterFile(place.pass)] === undefined) break;
    place = await nextPass(service, tenantId, job, place);
  }
  await finish(service, tenantId, job, place);
}

/** Writes as the client would have, and into the trail in its name. */
function writingService(service: Service, job: BulkJob): Service {
  const kept = JSON.parse(job.confinement) as Confinement;
  const { consent } = kept;
  const confinement = consent === undefined ? kept : { ...kept, consent: { ...consent, atMs: service.now() } };
  const seeing = asWriter({ ...service, database: { ...service.database, confinement } });
  return audited(seeing, service.trail ?? { touch: () => undefined }, (written) =>
    written.length === 0 ? undefined : { ...bulkEntry(job, service.now()), ...writtenEntry(written) },
  );
}

async function runPass(run: ImportRun, from: ImportPlace, told: (place: ImportPlace) => void): Promise<ImportPlace> {
  const { service, tenantId, job } = run;
  const { scopes } = readScopes(job.scopes);
  let place = from;
  let batch: (CheckedLine | RefusedLine)[] = [];
  let named = new Set<string>();
  const settle = async () => {
    place = await settleLines(run, batch, place);
    told(place);
    batch = [];
    named = new Set();
  };
  for await (const line of linesOf(service, tenantId, job, from)) {
    const checked = checkLine(service, job.jobId, scopes, line);
    const name = checked.ok ? `${checked.value.write.type}/${checked.value.write.id}` : "";
    // A resource that stands twice gets two versions, in the order of the lines.
    if (batch.length >= linesAtOnce || named.has(name)) await settle();
    if (checked.ok) named.add(name);
    batch.push(checked.ok ? checked.value : { ...line, refusals: checked.refusals });
  }
  if (batch.length > 0) await settle();
  return place;
}

/** The lines of a pass that are not settled yet. Empty ones count, and are nothing. */
async function* linesOf(
  service: Service,
  tenantId: number,
  job: BulkJob,
  { pass, line: settled }: ImportPlace,
): AsyncGenerator<ImportLine> {
  const name = pass === 1 ? sourceFile : laterFile(pass - 1);
  let number = 0;
  for await (const bytes of rawLines(service, tenantId, job, name)) {
    number += 1;
    const tab = pass === 1 ? -1 : bytes.indexOf(9);
    const line = { number: pass === 1 ? number : Number(bytes.subarray(0, tab)), text: bytes.subarray(tab + 1) };
    if (line.number > settled && line.text.length > 0) yield line;
  }
}

async function* rawLines(service: Service, tenantId: number, job: BulkJob, name: string): AsyncGenerator<Buffer> {
  const place = { jobId: job.jobId, attempt: 0 };
  let rest: Buffer = Buffer.alloc(0);
  for (let from = 0; ; ) {
    const [piece] = await workingOnBulk(service, tenantId, (session) => readChunks(session, place, name, from, 1));
    if (piece === undefined || piece.firstByte < from) return;
    from = piece.firstByte + piece.bytes;
    rest = Buffer.concat([rest, await unpacked(piece)]);
    let begin = 0;
    for (let at = rest.indexOf(10); at >= 0; at = rest.indexOf(10, begin)) {
      const end = rest[at - 1] === 13 && at > begin ? at - 1 : at;
      yield rest.subarray(begin, end);
      begin = at + 1;
    }
    rest = rest.subarray(begin);
  }
}

async function nextPass(service: Service, tenantId: number, job: BulkJob, place: ImportPlace): Promise<ImportPlace> {
  const next = {
    ...place,
    pass: place.pass + 1,
    line: 0,
    takenInPass: 0,
    mayWait: place.takenInPass > 0 && place.pass < mostPasses,
  };
  await workingOnBulk(service, tenantId, async (session) => {
    if (place.pass > 1) await deleteFile(session, { jobId: job.jobId, attempt: 0 }, laterFile(place.pass - 1));
    orSuperseded(await savePlace(session, job, JSON.stringify(next)));
  });
  return next;
}

async function finish(service: Service, tenantId: number, job: BulkJob, place: ImportPlace): Promise<void> {
  const finishedMs = service.now();
  const { stored, unchanged, refused } = place;
  await workingOnBulk(service, tenantId, async (session) => {
    const expiresMs = finishedMs + service.limits.bulk.keptMs;
    orSuperseded(await finishBulkJob(session, job, { finishedMs, expiresMs, transactionTimeMs: job.askedMs }));
    const counts = [`stored: ${stored}`, `unchanged: ${unchanged}`, `refused: ${refused}`];
    noteAudit(session, {
      ...bulkEntry(job, finishedMs),
      patientIds: [],
      entities: [`Bulk job ${job.jobId}`, ...counts],
    });
  });
  service.trail?.touch(tenantId);
}
