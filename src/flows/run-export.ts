import { StringDecoder } from "node:string_decoder";
import type { Group } from "@medplum/fhirtypes";
import type { ExportAsked } from "../fhir/bulk-export.ts";
import { patientRecord } from "../fhir/everything.ts";
import { issueOf } from "../fhir/outcome.ts";
import { parseSearch } from "../fhir/search/parse.ts";
import type { Branch } from "../fhir/search/query.ts";
import { subsetText } from "../fhir/subset.ts";
import { noteAudit } from "../store/audit.ts";
import { type BulkFile, type BulkRole, deleteEarlier, saveChunk, saveFile } from "../store/bulk-file.ts";
import { type BulkJob, finishBulkJob } from "../store/bulk-job.ts";
import {
  deletedBundles,
  type ExportOfType,
  type ExportPeople,
  exportedBodies,
  jsonLines,
  readIds,
  setSettings,
  settingsBinder,
} from "../store/bulk-select.ts";
import { awaitWriters } from "../store/bulk-snapshot.ts";
import { type Confinement, type CopySession, copySnapshotInTenant } from "../store/database.ts";
import { readResource } from "../store/resource.ts";
import { bulkEntry } from "./bulk-entry.ts";
import { orSuperseded, type Pulse, storingPieces, workingOnBulk } from "./bulk-pulse.ts";
import { membersOf } from "./group-members.ts";
import { ndjsonWriter } from "./ndjson-writer.ts";
import { searchOptions } from "./search-resources.ts";
import type { Service } from "./service.ts";

/** How long an export waits for those who were writing when it began. */
const mostWaitMs = 120_000;

/**
 * Makes the files of an export from one snapshot, through the confinement of its kick-off. Nothing is held but a few pieces,
 * whatever the size. An attempt that breaks off leaves nothing that counts: the next begins anew, for no other transaction
 * can see the same snapshot.
 */
export async function runExport(service: Service, tenantId: number, job: BulkJob, pulse: Pulse): Promise<void> {
  if (job.attempt > 1) await workingOnBulk(service, tenantId, (session) => deleteEarlier(session, job));
  const asked = JSON.parse(job.asked) as ExportAsked;
  // What was changed at this very millisecond may be seen or not, and is in the next export since then.
  const startedMs = service.now();
  await awaitWriters(service.database, tenantId, mostWaitMs);
  const { beforeCommit: _, ...database } = service.database;
  const confined = { ...database, confinement: confinementOf(job, startedMs) };
  const files: BulkFile[] = [];
  await copySnapshotInTenant(confined, tenantId, async (session) => {
    const people = await peopleOf(service, session, asked);
    for (const [index, type] of asked.types.entries()) {
      const step = `${type}, type ${index + 1} of ${asked.types.length}`;
      const wanted = wantedOf(service, asked, type, people);
      const told = (bytes: number) => {
        pulse.progress = `${step}: ${Math.floor(bytes / 1_000_000)} MB so far`;
        pulse.goOn();
      };
      pulse.progress = step;
      const made = fileMaker(service, tenantId, job, { role: "output", type });
      await copyLines(session, exportedBodies, wanted, (bytes) => made.write(bytes), told, asked.elements);
      files.push(...(await made.end()));
      if (asked.sinceMs === undefined) continue;
      const gone = fileMaker(service, tenantId, job, { role: "deleted", type: "Bundle", prefix: `deleted-${type}` });
      await copyLines(session, deletedBundles, wanted, (bytes) => gone.write(bytes), told);
      files.push(...(await gone.end()));
    }
  });
  files.push(...(await errorFile(service, tenantId, job, asked)));
  await finish(service, tenantId, job, files, startedMs - 1);
}

function confinementOf(job: BulkJob, nowMs: number): Confinement {
  const kept = JSON.parse(job.confinement) as Confinement;
  return kept.consent === undefined ? kept : { ...kept, consent: { ...kept.consent, atMs: nowMs } };
}

/** The patients whose records are wanted; undefined for everybody's, or where records are not asked for by person. */
async function peopleOf(
  service: Service,
  session: CopySession,
  { level, groupId, patientIds, types }: ExportAsked,
): Promise<readonly string[] | undefined> {
  if (level === "system" || (level === "patient" && patientIds !== undefined)) return patientIds;
  if (groupId === undefined) return everybodyWhereNeeded(service, session, types);
  const group = await readResource(session, "Group", groupId);
  const members = group === undefined || group.deleted ? [] : membersOf(service, JSON.parse(group.body) as Group);
  return patientIds === undefined ? members : members.filter((id) => patientIds.includes(id));
}

/** All patients that show, where a type does not say by its column whose it is. */
async function everybodyWhereNeeded(
  service: Service,
  session: CopySession,
  types: readonly string[],
): Promise<readonly string[] | undefined> {
  if (types.every((type) => isByPerson(service, type))) return undefined;
  return readIds(session, "Patient");
}

function isByPerson({ definitions }: Service, type: string): boolean {
  return type === "Patient" || type === "Provenance" || patientRecord(definitions, "x", [type]).hotTypes.length > 0;
}

function wantedOf(
  service: Service,
  asked: ExportAsked,
  type: string,
  people: readonly string[] | undefined,
): ExportOfType {
  const filters = asked.filters.filter((one) => one.type === type);
  const branches = filters.flatMap(({ query }) => filterBranches(service, type, query));
  const isEverybody = asked.level === "patient" && asked.patientIds === undefined;
  const whose = asked.level === "system" ? undefined : peopleOfType(service, type, people, isEverybody);
  return {
    type,
    ...(asked.sinceMs === undefined ? {} : { sinceMs: asked.sinceMs }),
    ...(whose === undefined ? {} : { people: whose }),
    ...(filters.length === 0 ? {} : { branches }),
  };
}

function filterBranches(service: Service, type: string, query: string): readonly Branch[] {
  const params = [...new URLSearchParams(query)];
  const read = parseSearch(service.definitions, [type], params, searchOptions(service, "strict"));
  if (!read.ok) throw new Error("a filter that was read at the kick-off is none now");
  return read.value.branches;
}

/**
 * A type says by its column whose a resource is; one that has none, by the terms of its references. A Provenance goes along with
 * what it tells of: the guide wants it so where includeAssociatedData is not supported.
 */
function peopleOfType(
  service: Service,
  type: string,
  people: readonly string[] | undefined,
  isEverybody: boolean,
): ExportPeople {
  if (type === "Provenance") return { by: "targets", ...(people === undefined || isEverybody ? {} : { ids: people }) };
  if (!isByPerson(service, type) && people !== undefined)
    return { by: "terms", terms: people.flatMap((id) => patientRecord(service.definitions, id, [type]).terms) };
  return people === undefined || isEverybody ? { by: "person" } : { by: "person", ids: people };
}

/** Streams the lines of a query; with `elements` each is cut down, and parsed for it. */
async function copyLines(
  session: CopySession,
  sql: typeof exportedBodies,
  wanted: ExportOfType,
  write: (bytes: Buffer) => Promise<void>,
  told: (bytes: number) => void,
  elements?: readonly string[],
): Promise<void> {
  const { binder, settings } = settingsBinder();
  const query = sql(session.tenantId, wanted, binder);
  await setSettings(session, settings);
  const stream = session.copy(query, jsonLines) as AsyncIterable<Buffer>;
  let bytes = 0;
  let rest = "";
  const decoder = new StringDecoder("utf8");
  for await (const piece of stream) {
    // A quote of ours: the body would span lines. Bodies are written by JSON.stringify, which never does that.
    if (piece.includes(1)) throw new Error("a stored body spans several lines");
    bytes += piece.length;
    told(bytes);
    if (elements === undefined) {
      await write(piece);
      continue;
    }
    const lines = (rest + decoder.write(piece)).split("\n");
    rest = lines.pop() ?? "";
    await write(Buffer.from(lines.map((line) => `${subsetText(line, { elements })}\n`).join("")));
  }
}

interface FilesAbout {
  readonly role: BulkRole;
  readonly type: string;
  /** What their names begin with; the type where absent. */
  readonly prefix?: string;
}

/** Makes the files of one kind one after another; a file ends after a line, once it is long enough. */
function fileMaker(service: Service, tenantId: number, job: BulkJob, about: FilesAbout) {
  const { role, type, prefix = type } = about;
  const made: BulkFile[] = [];
  const nameNow = () => `${prefix}-${made.length + 1}`;
  const fresh = () => {
    const name = nameNow();
    return ndjsonWriter(async (chunk) =>
      orSuperseded(
        await storingPieces(service, tenantId, (session) => saveChunk(session, job, job.attempt, name, chunk)),
      ),
    );
  };
  let writer = fresh();
  const close = async () => {
    const written = await writer.end();
    if (written.bytes === 0) return;
    const file = { name: nameNow(), role, type, ...written };
    await workingOnBulk(service, tenantId, (session) => saveFile(session, job, file));
    made.push(file);
  };
  return {
    async write(bytes: Buffer): Promise<void> {
      const end = bytes.lastIndexOf(10) + 1;
      if (writer.bytes + bytes.length <= service.limits.bulk.fileBytes || end === 0) return writer.write(bytes);
      await writer.write(bytes.subarray(0, end));
      await close();
      writer = fresh();
      await writer.write(bytes.subarray(end));
    },
    async end(): Promise<readonly BulkFile[]> {
      await close();
      return made;
    },
  };
}

/** What was ignored at the kick-off, one outcome a line. */
async function errorFile(
  service: Service,
  tenantId: number,
  job: BulkJob,
  { ignored }: ExportAsked,
): Promise<readonly BulkFile[]> {
  const made = fileMaker(service, tenantId, job, { role: "error", type: "OperationOutcome" });
  const lines = ignored.map((one) =>
    JSON.stringify({ resourceType: "OperationOutcome", issue: [issueOf(one, "warning")] }),
  );
  await made.write(Buffer.from(lines.map((line) => `${line}\n`).join("")));
  return made.end();
}

async function finish(
  service: Service,
  tenantId: number,
  job: BulkJob,
  files: readonly BulkFile[],
  transactionTimeMs: number,
): Promise<void> {
  const nowMs = service.now();
  const counts = files.map(({ name, lines }) => `${name}: ${lines}`);
  await workingOnBulk(service, tenantId, async (session) => {
    const expiresMs = nowMs + service.limits.bulk.keptMs;
    orSuperseded(await finishBulkJob(session, job, { finishedMs: nowMs, expiresMs, transactionTimeMs }));
    noteAudit(session, {
      ...bulkEntry(job, nowMs),
      patientIds: [],
      // An export of everything shows everybody: the entry says what was exported and how much, not whom.
      entities: [`Bulk job ${job.jobId}`, ...counts],
      query: job.requestUrl.split("?")[1] ?? "",
    });
  });
  service.trail?.touch(tenantId);
}
