import { createHash } from "node:crypto";
import type { DocumentReference, Resource } from "@medplum/fhirtypes";
import type { ClockCorrection } from "../domain/clock-correction.ts";
import type { CoverageRange, DeviceUse } from "../domain/device.ts";
import type { Fact } from "../domain/facts.ts";
import { intersect, timeOfUse } from "../domain/range.ts";
import { alertObservation, type DeviceAlert } from "../fhir/alert.ts";
import { extractIndexValues } from "../fhir/search/extract.ts";
import { sessionResources } from "../fhir/session.ts";
import { clockCheckOf, coverageOf, uploadDocument } from "../fhir/upload.ts";
import type { TenantSession } from "../store/database.ts";
import { type StatedFacts, saveFacts } from "../store/facts.ts";
import { createResources, lockResources, type NewResource } from "../store/resource.ts";
import { commitWrites, type Write } from "./commit-writes.ts";
import type { KeptUpload } from "./kept-upload.ts";
import type { Service } from "./service.ts";
import type { SettledSession } from "./settle-records.ts";

/** What an upload states, settled and matched. */
export interface SettledUpload {
  readonly deviceId: string;
  readonly uses: readonly DeviceUse[];
  readonly fresh: readonly SettledSession[];
  readonly retimed: readonly SettledSession[];
  readonly coverage: { readonly ranges: readonly CoverageRange[] };
  readonly alerts: readonly DeviceAlert[];
  readonly correction: Pick<ClockCorrection, "readMs" | "driftMs">;
}

/** Sessions a statement: large enough to spare round trips, small enough to keep latency and memory flat. */
const batchSize = 50;

/** Stores sessions as Observation and DeviceUseStatement with their facts, and the upload's DocumentReference with its coverage. */
export async function storeSessions(
  service: Service,
  session: TenantSession,
  kept: KeptUpload,
  upload: SettledUpload,
): Promise<{ created: number; retimed: number; patients: string[] }> {
  const nowIso = new Date(service.now()).toISOString();
  const patients = new Set<string>();
  let created = 0;
  const document = documentOf(kept, upload, nowIso);
  if (await storeDocument(service, session, document, nowIso)) {
    const stated: StatedFacts = { type: "DocumentReference", id: kept.uploadId, facts: documentFacts(document) };
    for (const patientId of await saveFacts(session, [stated])) patients.add(patientId);
  }
  for (const patientId of await storeAlerts(service, session, upload.alerts, nowIso)) patients.add(patientId);
  // While the database stores one batch, the next is made ready.
  let sent: ReturnType<typeof storeBatch> | undefined;
  const settle = async () => {
    const stored = await sent;
    for (const patientId of stored?.patients ?? []) patients.add(patientId);
    created += stored?.created ?? 0;
  };
  for (let from = 0; from < upload.fresh.length; from += batchSize) {
    const batch = upload.fresh.slice(from, from + batchSize);
    const resources = batch
      .flatMap((one) => resourcesOf(one, kept.uploadId))
      .map((resource) => firstVersion(service, resource, nowIso));
    await settle();
    sent = storeBatch(session, batch, resources);
    // Whoever settles it hears of an error.
    sent.catch(() => undefined);
    await toBeSent();
  }
  await settle();
  if (upload.retimed.length > 0) await retime(service, session, kept, upload.retimed);
  return { created, retimed: upload.retimed.length, patients: [...patients] };
}

/** Lets what was written leave this process before the next is made. */
function toBeSent(): Promise<void> {
  return new Promise((resolve) => setImmediate(resolve));
}

/** Stores the resources of some sessions and their facts. */
async function storeBatch(
  session: TenantSession,
  batch: readonly SettledSession[],
  resources: readonly NewResource[],
): Promise<{ created: number; patients: string[] }> {
  const stored = await createResources(session, resources);
  // One that somebody entered in error or deleted since states nothing, however often the device sends it again.
  const isNew = batch.filter((one) => stored.has(`Observation/${one.session.sessionId}`));
  return { created: isNew.length, patients: await saveFacts(session, isNew.map(factsOfSession)) };
}

function documentFacts(document: DocumentReference): Fact[] {
  return [...coverageOf(document), ...clockCheckOf(document)];
}

/** Stores those alerts that are not known yet, and answers whom they concern. */
async function storeAlerts(
  service: Service,
  session: TenantSession,
  alerts: readonly DeviceAlert[],
  nowIso: string,
): Promise<string[]> {
  const created = await createResources(
    session,
    alerts.map((alert) => firstVersion(service, alertObservation(alert), nowIso)),
  );
  const fresh = alerts.filter((alert) => created.has(`Observation/${alert.id}`));
  return saveFacts(session, fresh.map(factsOfAlert));
}

function factsOfAlert({ id, patientId, deviceId, code, atMs, localDay }: DeviceAlert): StatedFacts {
  const alert = { observationId: id, patientId, deviceId, code, atMs, localDay };
  return { type: "Observation", id, facts: [{ kind: "alert", alert }], isNew: true };
}

/**
 * A replay may have mended the clock, or found another device: then what the document vouches for is written anew.
 * Answers false where somebody has taken the document back (entered in error, deleted): a resend does not undo that.
 */
async function storeDocument(
  service: Service,
  session: TenantSession,
  document: DocumentReference & { id: string },
  nowIso: string,
): Promise<boolean> {
  const created = await createResources(session, [firstVersion(service, document, nowIso)]);
  if (created.size > 0) return true;
  const reference = `DocumentReference/${document.id}`;
  const [locked] = await lockResources(session, [reference]);
  if (locked === undefined || locked.deleted) return false;
  const before = JSON.parse(locked.body) as DocumentReference;
  if (before.status === "entered-in-error") return false;
  if (JSON.stringify(documentFacts(before)) === JSON.stringify(documentFacts(document))) return true;
  // A replay finds the sessions stored already, so it cannot tell anew whose they are.
  const { subject = before.subject } = document;
  const resource = { ...document, ...(subject === undefined ? {} : { subject }) };
  await commitWrites(
    service,
    session,
    [{ type: "DocumentReference", id: document.id, resource }],
    new Map([[reference, locked]]),
    { ownWork: true },
  );
  return true;
}

function factsOfSession({ session }: SettledSession): StatedFacts {
  return { type: "Observation", id: session.sessionId, facts: [{ kind: "session", session }], isNew: true };
}

function resourcesOf(one: SettledSession, uploadId: string): [Resource, Resource] {
  const { observation, statement } = sessionResources(one.session, {
    documentId: uploadId,
    statementId: `use-of-${one.session.sessionId}`.slice(0, 64),
    deviceEnd: one.record.end,
    ...(one.profileRequestId === undefined ? {} : { profileRequestId: one.profileRequestId }),
  });
  return [observation, statement];
}

/** Our own mapping is right by construction (a test proves it), so these resources need no check at run time. */
function firstVersion(service: Service, resource: Resource, nowIso: string): NewResource {
  const { resourceType, id, meta, ...rest } = resource as Resource & { id: string };
  const body = { resourceType, id, meta: { ...meta, versionId: "1", lastUpdated: nowIso }, ...rest };
  return {
    type: resourceType,
    id,
    version: 1,
    lastUpdatedMs: Date.parse(nowIso),
    deleted: false,
    body: JSON.stringify(body),
    index: extractIndexValues(service.definitions, resource),
  };
}

/** An earlier reading knows the device's clock better: the session becomes a next version on its corrected times. */
async function retime(
  service: Service,
  session: TenantSession,
  kept: KeptUpload,
  retimed: readonly SettledSession[],
): Promise<void> {
  const writes = retimed
    .flatMap((one) => resourcesOf(one, kept.uploadId))
    .map((resource): Write => ({ type: resource.resourceType, id: resource.id ?? "", resource }));
  const locked = await lockResources(
    session,
    writes.map((write) => `${write.type}/${write.id}`),
  );
  const current = new Map(locked.map((one) => [`${one.type}/${one.id}`, one]));
  await commitWrites(service, session, writes, current, { ownWork: true });
}

/**
 * Whose time an upload tells about: whoever had the device while it vouches for it, or ran a session that it brought. Not
 * by its new sessions alone: which of several uploads brings a session first depends on their order.
 */
function patientsConcerned({ fresh, uses, coverage }: SettledUpload): string[] {
  const covered = uses.filter((use) => intersect([timeOfUse(use)], coverage.ranges).length > 0);
  return [...new Set([...covered.map((use) => use.patientId), ...fresh.map((one) => one.session.patientId)])];
}

/** The upload as a document: whose device, when, how large, its hashes, and the times it vouches for. */
function documentOf(kept: KeptUpload, upload: SettledUpload, nowIso: string): DocumentReference & { id: string } {
  const patients = patientsConcerned(upload);
  const [onlyPatient] = patients.length === 1 ? patients : [];
  return uploadDocument({
    id: kept.uploadId,
    deviceId: upload.deviceId,
    ...(onlyPatient === undefined ? {} : { patientId: onlyPatient }),
    receivedIso: nowIso,
    contentType: kept.contentType,
    size: kept.bytes.length,
    // Attachment.hash is SHA-1 by definition of R4 (https://hl7.org/fhir/R4/datatypes.html#attachment); identity rests on SHA-256.
    sha1Base64: createHash("sha1").update(kept.bytes).digest("base64"),
    sha256Hex: createHash("sha256").update(kept.bytes).digest("hex"),
    url: `/api/v1/uploads/${kept.uploadId}/content`,
    coverage: upload.coverage.ranges,
    readIso: new Date(upload.correction.readMs).toISOString(),
    ...(upload.correction.driftMs === undefined ? {} : { driftMs: upload.correction.driftMs }),
  });
}
