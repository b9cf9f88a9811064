import type { Resource } from "@medplum/fhirtypes";
import type { PatientFacts } from "../domain/facts.ts";
import type { Refusal } from "../domain/result.ts";
import type { Thresholds } from "../domain/thresholds.ts";
import { confidentialityLabels } from "../fhir/confidentiality.ts";
import { factsOf } from "../fhir/facts.ts";
import { stampedJson } from "../fhir/json.ts";
import { extractIndexValues } from "../fhir/search/extract.ts";
import type { IndexValues } from "../fhir/search/index-values.ts";
import { type TenantSession, withholdingOf } from "../store/database.ts";
import { queueReviews, type StatedFacts, saveFacts } from "../store/facts.ts";
import { readPatients } from "../store/picture.ts";
import { type NewResource, referenceOf, type StoredResource, saveResources } from "../store/resource.ts";
import { refusePlans } from "./plan-guard.ts";
import { refuseDangling, refuseStillReferred } from "./reference-policy.ts";
import { refuseReleaseReports } from "./release-guard.ts";
import { refuseForRetired } from "./retired-record.ts";
import { screeningWrites } from "./screening.ts";
import type { Service } from "./service.ts";
import { settleSubscriptions } from "./subscription-writes.ts";
import { refuseTaskChanges } from "./task-guard.ts";
import { thresholdsNow } from "./tenant-thresholds.ts";
import { RefusedWrite } from "./write-in-tenant.ts";

/** One checked resource on its way into the store. */
export interface Write {
  readonly type: string;
  readonly id: string;
  /** As parsed, for extraction; absent for a deletion. */
  readonly resource?: Resource;
  /** The same with numbers as they were written, for storing. */
  readonly exact?: unknown;
}

/** How a write differs from one that a client sends alone. */
interface CommitOptions {
  /** False where the caller is the review itself. */
  readonly queue?: boolean;
  /** The service's own work points to what it has just read. */
  readonly ownWork?: boolean;
  /** `Type/id` that the same transaction writes elsewhere. */
  readonly alsoWritten?: ReadonlySet<string>;
  /** Writes of the same transaction stored before these; what follows from all is settled with these. */
  readonly before?: readonly Write[];
  /** A merge moves what belongs to one record to another: Tasks may change whom they are about. */
  readonly ofMerge?: boolean;
  /** True where more writes of the same transaction come, which settle what follows from these. */
  readonly moreToCome?: boolean;
}

const noIndex: IndexValues = { terms: [], strings: [], dates: [], quantities: [], placeTerms: [], hot: {} };

/**
 * Stores the next version of each resource with its index values and facts, and queues the reviews that follow:
 * a fixed number of statements for any number of writes. `current` holds the versions locked beforehand. Throws
 * RefusedWrite, to roll back, where the reference policy or what plans may ask for is broken. Screenings bring the Flags
 * that follow from their answers. `alsoWritten` are `Type/id` that the same transaction
 * writes elsewhere, and the service's own work points to what it has just read.
 */
export async function commitWrites(
  service: Service,
  session: TenantSession,
  writes: readonly Write[],
  current: ReadonlyMap<string, StoredResource>,
  options: CommitOptions = {},
): Promise<NewResource[]> {
  const settled = options.ownWork === true ? writes : await settleSubscriptions(service, session, writes, current);
  const stored = await storeWrites(service, session, settled, current, options);
  if (options.ownWork === true || options.moreToCome === true) return stored;
  const all = [...(options.before ?? []), ...writes];
  const following = await screeningWrites(service, session, all, current);
  await storeWrites(service, session, following.writes, following.current, { ...options, ownWork: true });
  const guarded = [
    ...(await refusePlans(service, session, all, current)),
    ...refuseReleaseReports(all, current),
    ...(options.ofMerge === true ? [] : refuseTaskChanges(all, current)),
  ];
  if (guarded.length > 0) throw new RefusedWrite(guarded);
  return stored;
}

async function storeWrites(
  service: Service,
  session: TenantSession,
  writes: readonly Write[],
  current: ReadonlyMap<string, StoredResource>,
  options: CommitOptions,
): Promise<NewResource[]> {
  if (writes.length === 0) return [];
  const lastUpdatedMs = service.now();
  const next = writes.map((write) => nextVersion(service, write, current.get(referenceOf(write)), lastUpdatedMs));
  const { settling, refusals } = await settleAndCheck(service, session, { writes, next, current, options });
  if (refusals.length > 0) throw new RefusedWrite(refusals);
  const saving = saveResources(session, next);
  const facts = saveFacts(session, statedBy(service, writes, next, settling));
  const [patients, referred] = await Promise.all([
    facts,
    saving.then(() => refuseStillReferred(service, session, writes)),
  ]);
  if (referred.length > 0) throw new RefusedWrite(referred);
  if (options.queue !== false)
    queueReviews(
      session,
      patients.filter((patientId) => patientId !== ""),
    );
  return next;
}

/**
 * Asks what the facts are settled by and whether what the writes point to is here, at once. What they point to is held first: where
 * a merge is at one of the people, whose record goes on is known afterwards. To a writer from whom something is withheld the
 * second question waits for the first, which is asked with the writer's own eyes.
 */
async function settleAndCheck(
  service: Service,
  session: TenantSession,
  { writes, next, current, options }: Checked,
): Promise<{ settling: Settling; refusals: readonly Refusal[] }> {
  const settle = () => readSettling(service, session, writes, next);
  if (options.ownWork === true) return { settling: await settle(), refusals: [] };
  const checking = refuseDangling(service, session, writes, options.alsoWritten ?? new Set(), current);
  const isConfined = withholdingOf(service.database.confinement) !== undefined;
  const [dangling, settling] = await Promise.all([checking, isConfined ? checking.then(settle) : settle()]);
  const retired = options.ofMerge === true ? [] : refuseForRetired(service, next, current, settling.retired);
  return { settling, refusals: [...dangling, ...retired] };
}

interface Checked {
  readonly writes: readonly Write[];
  readonly next: readonly NewResource[];
  readonly current: ReadonlyMap<string, StoredResource>;
  readonly options: CommitOptions;
}

/** The same for one write; `current` is the version before it, locked. */
export async function commitOne(
  service: Service,
  session: TenantSession,
  write: Write,
  current: StoredResource | undefined,
  options: CommitOptions = {},
): Promise<NewResource> {
  const known = new Map(current === undefined ? [] : [[referenceOf(current), current]]);
  const [stored] = await commitWrites(service, session, [write], known, options);
  if (stored === undefined) throw new Error("a write stored nothing");
  return stored;
}

function nextVersion(
  service: Service,
  write: Write,
  before: StoredResource | undefined,
  lastUpdatedMs: number,
): NewResource {
  const version = (before?.version ?? 0) + 1;
  const { type, id } = write;
  const deleted = write.resource === undefined;
  const stamp = { id, versionId: String(version), lastUpdated: new Date(lastUpdatedMs).toISOString() };
  return {
    type,
    id,
    version,
    lastUpdatedMs,
    deleted,
    body: stampedJson(write.exact ?? write.resource ?? deletion(type, before), stamp),
    index:
      write.resource === undefined
        ? noIndex
        : extractIndexValues(service.definitions, { ...write.resource, id } as Resource),
  };
}

/** A deletion is as confidential as what it deletes: to whom that did not show, it must not tell that it was there. */
function deletion(type: string, before: StoredResource | undefined): object {
  const security = before === undefined ? [] : confidentialityLabels(before.body);
  return { resourceType: type, ...(security.length === 0 ? {} : { meta: { security } }) };
}

/** What the facts of a write are settled by. */
interface Settling {
  readonly zones: ReadonlyMap<string, string>;
  /** People whose records were merged into others, and into which. */
  readonly retired: ReadonlyMap<string, string>;
  readonly dayParts: Thresholds["dayParts"];
}

async function readSettling(
  service: Service,
  session: TenantSession,
  writes: readonly Write[],
  stored: readonly NewResource[],
): Promise<Settling> {
  const settles = writes.some((write) => write.type === "Observation" && write.resource !== undefined);
  const [people, { dayParts }] = await Promise.all([
    peopleOf(service, session, writes, stored),
    settles ? thresholdsNow(service, session) : service.thresholds,
  ]);
  return { ...people, dayParts };
}

/** The facts of each resource as it is stored, local days in the zone of the patient concerned. */
function statedBy(
  service: Service,
  writes: readonly Write[],
  stored: readonly NewResource[],
  { zones, dayParts }: Settling,
): StatedFacts[] {
  return writes.map((write, i) => {
    const resource =
      write.resource && ({ ...write.resource, id: write.id, meta: metaOf(write.resource, stored[i]) } as Resource);
    const patientId = stored[i]?.index.hot.patientId ?? "";
    const zone = zones.get(patientId) ?? service.defaultZone;
    const facts = resource === undefined ? [] : factsOf(resource, { zone, dayParts });
    return { type: write.type, id: write.id, facts, isNew: stored[i]?.version === 1 };
  });
}

function metaOf(resource: Resource, stored: NewResource | undefined): Resource["meta"] {
  return stored === undefined
    ? resource.meta
    : { ...resource.meta, lastUpdated: new Date(stored.lastUpdatedMs).toISOString() };
}

async function peopleOf(
  service: Service,
  session: TenantSession,
  writes: readonly Write[],
  stored: readonly NewResource[],
): Promise<Pick<Settling, "zones" | "retired">> {
  const wanted = [...new Set(stored.flatMap((one) => one.index.hot.patientId ?? []))];
  const known: PatientFacts[] = wanted.length === 0 ? [] : await readPatients(session, wanted);
  const people = new Map(known.map((patient) => [patient.patientId, patient]));
  // A patient of the same bundle is not in its table yet.
  for (const write of writes) {
    if (write.type !== "Patient" || write.resource === undefined) continue;
    const facts = factsOf({ ...write.resource, id: write.id } as Resource, {
      zone: service.defaultZone,
      dayParts: service.thresholds.dayParts,
    });
    for (const fact of facts) if (fact.kind === "patient") people.set(write.id, fact.patient);
  }
  const replaced = [...people.values()].flatMap(({ patientId, replacedBy }): [string, string][] =>
    replacedBy === undefined ? [] : [[patientId, replacedBy]],
  );
  return {
    zones: new Map([...people.values()].map((patient) => [patient.patientId, patient.zone])),
    retired: new Map(replaced),
  };
}
