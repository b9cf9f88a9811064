import type { AuditEntry } from "../fhir/audit-event.ts";
import { appendAudit } from "../store/audit.ts";
import { type Database, readInTenant, type TenantSession } from "../store/database.ts";
import {
  closeClients,
  deleteErased,
  deleteJobs,
  erasedBefore,
  startErasing,
  type TouchedRows,
} from "../store/erasure.ts";
import { devicesHere, devicesOf, identifiersOf } from "../store/erasure-devices.ts";
import { findMentions, type Mention } from "../store/erasure-mentions.ts";
import { unhandledTables } from "../store/erasure-tables.ts";
import { queueUnmatchedReview } from "../store/facts.ts";
import { lockPatient } from "../store/picture.ts";
import { ConcurrentWrite } from "../store/resource.ts";
import { lockDevice } from "../store/session.ts";
import { deleteRefusedRecords, eraseContent } from "../store/upload-content.ts";
import { maskReferences } from "./erasure-masking.ts";
import {
  devicesOfNobodyElse,
  eraseDevices,
  eraseDocuments,
  eraseUnmatched,
  eraseWhatHangsOn,
  eraseWhatIsOnlyAbout,
  readPerson,
} from "./erasure-scope.ts";
import { type ConcernedUpload, uploadsConcerning } from "./erasure-uploads.ts";
import type { Service } from "./service.ts";
import { writeInTenant } from "./write-in-tenant.ts";

/** Whom to erase, and how. */
export interface ErasureRequest {
  readonly patientId: string;
  /** Kept in the audit trail for good, so it names nobody. */
  readonly reason: string;
  /** Who ran the command, for the trail. */
  readonly operator?: string;
  /** Devices that nobody else ever had go as well; else they stay, for the next person. */
  readonly devices: "stay" | "go";
  /** What else still names the person stops the erasure, unless somebody has looked at it. */
  readonly mentions: "stop" | "leave";
  /** A trial does everything and takes it back. */
  readonly mode: "trial" | "erase";
}

/** What was done, or would be. */
export interface ErasureReport {
  readonly tables: readonly TouchedRows[];
  /** `Type/id` of others' resources from which references were taken. */
  readonly masked: readonly string[];
  /** Uploads whose content went although it told of others too. */
  readonly sharedUploads: readonly string[];
  readonly devicesLeft: readonly string[];
  /** Other Patients that are the same person and stay. */
  readonly linked: readonly string[];
  /** Where a name, number or identifier of the person still stands. */
  readonly mentions: readonly Mention[];
  /** "stopped": mentions were found, and nothing was erased. */
  readonly outcome: "erased" | "trial" | "stopped" | "nothing-here";
}

/** Rolls the transaction back with a report that is worth telling. */
class TakenBack extends Error {
  readonly report: ErasureReport;
  constructor(report: ErasureReport) {
    super("taken back");
    this.report = report;
  }
}

/**
 * Erases one person in one transaction of the tables' owner: every row about them, the content of uploads that tell about them,
 * references to them in others' records, jobs, and clients that saw them alone. The audit trail stays and says that it was
 * done. Erasing somebody who is not here (any more) changes nothing.
 */
export async function erasePerson(
  service: Service,
  owner: Database,
  tenantId: number,
  request: ErasureRequest,
): Promise<ErasureReport> {
  try {
    const done = await writeInTenant({ ...service, database: owner }, tenantId, (session) =>
      erase(service, session, request),
    );
    if (!done.ok) throw new Error(done.refusals.map(({ detail }) => detail).join("\n"));
    return done.value;
  } catch (error) {
    if (error instanceof TakenBack) return error.report;
    throw error;
  }
}

/** Which of these people were erased here before: whoever would put them back must leave it. */
export function erasedPeople(service: Service, tenantId: number, patientIds: readonly string[]): Promise<Set<string>> {
  return readInTenant(service.database, tenantId, (session) => erasedBefore(session, patientIds));
}

async function erase(service: Service, session: TenantSession, request: ErasureRequest): Promise<ErasureReport> {
  const { patientId } = request;
  const unknown = await unhandledTables(session);
  if (unknown.length > 0) {
    throw new Error(`Nobody has said what an erasure does with ${unknown.join(", ")} (src/store/erasure-tables.ts).`);
  }
  const { person, uploads, identifiers, sole } = await gather(service, session, request);
  const masked = await maskReferences(service, session, person);
  const tables = [
    ...(await cutUploads(session, uploads, service.now())),
    ...(await deleteErased(session, patientId)),
    ...(await closeClients(session, patientId, service.now())),
    ...maskedRows(masked.references.length, masked.versions),
  ];
  const jobs = await deleteJobs(session, patientId, identifiers);
  if (jobs > 0) tables.push({ table: "graphile_worker (jobs)", rows: jobs });
  const left = await devicesHere(session, person.deviceIds);
  const shared = left.filter((id) => !sole.includes(id));
  for (const identifier of await identifiersOf(session, shared)) queueUnmatchedReview(session, identifier);
  const { traits } = person;
  const mentions = await findMentions(session, [`Patient/${patientId}`, ...traits.identifiers, ...traits.others]);
  const report = {
    tables,
    masked: masked.references,
    sharedUploads: uploads.filter(({ isShared }) => isShared).map(({ uploadId }) => uploadId),
    devicesLeft: left,
    linked: person.linked,
    mentions,
  };
  if (tables.length === 0) return { ...report, outcome: "nothing-here" };
  if (request.mode === "trial") throw new TakenBack({ ...report, outcome: "trial" });
  if (mentions.length > 0 && request.mentions === "stop") throw new TakenBack({ ...report, outcome: "stopped" });
  await appendAudit(session, [auditEntry(service, request, report)]);
  return { ...report, outcome: "erased" };
}

/** Waits for whoever works on the person or the person's devices, and lists everything that goes. */
async function gather(service: Service, session: TenantSession, { patientId, devices }: ErasureRequest) {
  await lockPatient(session, patientId);
  const locked = await devicesOf(session, patientId);
  // Before anything is listed: an upload that is being taken in stores sessions of the person until it ends.
  for (const deviceId of locked) await lockDevice(session, deviceId);
  await startErasing(session, patientId);
  const person = await readPerson(session, patientId);
  if (person.deviceIds.some((id) => !locked.includes(id)))
    throw new ConcurrentWrite("the person got a device meanwhile");
  await eraseWhatIsOnlyAbout(session, person);
  const words = [...person.traits.identifiers, ...person.traits.others];
  const uploads = await uploadsConcerning(session, { patientId, deviceIds: person.deviceIds, words });
  const identifiers = await identifiersOf(session, person.deviceIds);
  const sole = await devicesOfNobodyElse(session, person);
  await eraseUnmatched(session, sole);
  await eraseDocuments(
    session,
    uploads.map(({ uploadId }) => uploadId),
  );
  if (devices === "go") await eraseDevices(session, sole);
  await eraseWhatHangsOn(service, session);
  return { person, uploads, identifiers, sole };
}

async function cutUploads(
  session: TenantSession,
  uploads: readonly ConcernedUpload[],
  nowMs: number,
): Promise<TouchedRows[]> {
  let records = 0;
  for (const upload of uploads) {
    records += await deleteRefusedRecords(session, upload.uploadId, upload.refusedPositions);
    await eraseContent(session, upload, nowMs);
  }
  const touched = [
    { table: "received_upload (content cut)", rows: uploads.length },
    { table: "refused_record", rows: records },
  ];
  return touched.filter(({ rows }) => rows > 0);
}

function maskedRows(resources: number, versions: number): TouchedRows[] {
  const touched = [
    { table: "resource (references masked)", rows: resources },
    { table: "resource_version (references masked)", rows: versions },
  ];
  return touched.filter(({ rows }) => rows > 0);
}

/** No kind of the trail says "erased" yet; the action and the door do. */
function auditEntry(
  service: Service,
  { patientId, reason, operator }: ErasureRequest,
  report: Pick<ErasureReport, "tables">,
): AuditEntry {
  const rows = report.tables.map((one) => `${one.table} ${one.rows}`).join(", ");
  return {
    atMs: service.now(),
    clientId: "operator",
    ...(operator === undefined ? {} : { clientName: operator }),
    action: "D",
    kind: "erasure",
    outcome: "0",
    route: "erase-person",
    requestId: service.newId(),
    patientIds: [patientId],
    entities: [`Patient/${patientId}`],
    reason: `${reason} (${rows})`,
  };
}
