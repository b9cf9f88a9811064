import type { Group } from "@medplum/fhirtypes";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import type { ExportAsked } from "../fhir/bulk-export.ts";
import { readingLimits, scopeText } from "../fhir/scopes.ts";
import { parseSearch } from "../fhir/search/parse.ts";
import {
  addBulkJob,
  type BulkJob,
  countGoing,
  deleteBulkJob,
  findBulkJob,
  lockBulk,
  lookAtBulk,
  notePoll,
  queueBulk,
} from "../store/bulk-job.ts";
import { knownIds } from "../store/bulk-select.ts";
import { inTenant, readInTenant, readSnapshotInTenant, type TenantSession } from "../store/database.ts";
import { readResource } from "../store/resource.ts";
import type { Grant } from "./grant.ts";
import { membersOf } from "./group-members.ts";
import { searchOptions } from "./search-resources.ts";
import type { Service } from "./service.ts";

export type { BulkJob } from "../store/bulk-job.ts";

/** A refusal with how long to wait, for a job that may be asked for later. */
export interface TooMany {
  readonly tooMany: string;
  readonly retrySeconds: number;
}

/** Who asks, and from where. */
export interface Asking {
  readonly grant: Grant;
  readonly requestUrl: string;
}

/** A client whose scopes are limited to what a search would find may not export: of deleted resources nobody could tell. */
export function refuseLimited({ scopes }: Grant): Refusal | undefined {
  if (readingLimits(scopes).length === 0) return undefined;
  const detail = "A client whose scopes are limited by a search parameter reads by searches, and does not export.";
  return { kind: "forbidden", detail, status: 403 };
}

/** Checks what a kick-off asks for against what the client sees now: its filters, its Group, its people. */
export async function settleExport(
  service: Service,
  tenantId: number,
  asked: ExportAsked,
  handling: "strict" | "lenient",
): Promise<Result<ExportAsked>> {
  const ignored = [...asked.ignored];
  const refusals: Refusal[] = [];
  const orIgnored = (refusal: Refusal) => (handling === "strict" ? refusals : ignored).push(refusal);
  const filters = asked.filters.filter(({ type, query }) => {
    const read = parseSearch(
      service.definitions,
      [type],
      [...new URLSearchParams(query)],
      searchOptions(service, "strict"),
    );
    if (read.ok) return true;
    for (const one of read.refusals) orIgnored({ ...one, at: "_typeFilter" });
    return false;
  });
  const { groupId, patientIds } = asked;
  const seen = await readInTenant(service.database, tenantId, async (session) => ({
    group: groupId === undefined ? undefined : await readResource(session, "Group", groupId),
    people: patientIds === undefined ? undefined : await knownIds(session, "Patient", patientIds),
  }));
  if (groupId !== undefined && (seen.group === undefined || seen.group.deleted)) {
    const detail = `There is no Group/${groupId} here, or the token may not read it.`;
    return refused({ kind: "not-found", detail, status: 404 });
  }
  const members = seen.group && membersOf(service, JSON.parse(seen.group.body) as Group);
  const known = patientIds?.filter((id) => {
    if (seen.people?.has(id) && (members === undefined || members.includes(id))) return true;
    const detail = seen.people?.has(id)
      ? `Patient/${id} is no active member of Group/${groupId}.`
      : `There is no Patient/${id} here.`;
    orIgnored({ kind: "not-found", detail, at: "patient", status: 404 });
    return false;
  });
  if (refusals.length > 0) return refused(...refusals);
  return accepted({ ...asked, filters, ...(known === undefined ? {} : { patientIds: known }), ignored });
}

/** Begins an export as the client may see things now, unless too many go on. Answers the job's id. */
export async function beginExport(
  service: Service,
  tenantId: number,
  asked: ExportAsked,
  asking: Asking,
): Promise<string | TooMany> {
  return inTenant(service.database, tenantId, async (session) => {
    const full = await refuseTooMany(service, session, asking.grant.clientId);
    if (full !== undefined) return full;
    const jobId = await addJob(service, session, { kind: "export", state: "waiting", asked, asking });
    await queueBulk(session, jobId);
    return jobId;
  });
}

/** Adds a job with what its client may see. The caller has asked `refuseTooMany` in the same transaction. */
export async function addJob(
  service: Service,
  session: TenantSession,
  one: {
    readonly kind: BulkJob["kind"];
    readonly state: "receiving" | "waiting";
    readonly asked: unknown;
    readonly asking: Asking;
  },
): Promise<string> {
  const { grant, requestUrl } = one.asking;
  const jobId = service.newId();
  await addBulkJob(session, {
    jobId,
    kind: one.kind,
    state: one.state,
    clientId: grant.clientId,
    ...(grant.clientName === undefined ? {} : { clientName: grant.clientName }),
    requestUrl,
    asked: JSON.stringify(one.asked),
    confinement: JSON.stringify(service.database.confinement ?? {}),
    scopes: grant.scopes.map(scopeText).join(" "),
    askedMs: service.now(),
  });
  return jobId;
}

/** Whether too many jobs go on for one more. Sees all of the tenant's afterwards, and keeps others from beginning one. */
export async function refuseTooMany(
  service: Service,
  session: TenantSession,
  clientId: string,
): Promise<TooMany | undefined> {
  await lookAtBulk(session, "*");
  await lockBulk(session);
  const { jobsPerClient, jobsPerTenant } = service.limits.bulk;
  const { ofClient, ofTenant } = await countGoing(session, clientId);
  if (ofClient < jobsPerClient && ofTenant < jobsPerTenant) return undefined;
  const whose =
    ofClient >= jobsPerClient ? `${ofClient} exports and imports of yours` : "Too many exports and imports of others";
  return { tooMany: `${whose} go on. Wait until one has ended, or cancel one of yours.`, retrySeconds: 60 };
}

/** The least time between two questions how far a job is. */
export const leastPollMs = 500;

/** One job of the client's own, noting that it asked; "too soon" where it asks again at once. */
export async function askAfter(
  service: Service,
  tenantId: number,
  clientId: string,
  kind: BulkJob["kind"],
  jobId: string,
): Promise<Result<BulkJob | "too soon">> {
  const found = await ownJob(service, tenantId, clientId, kind, jobId);
  if (!found.ok || found.value.finishedMs !== undefined) return found;
  const mayAsk = await inTenant(service.database, tenantId, async (session) => {
    await lookAtBulk(session, clientId);
    return notePoll(session, jobId, service.now(), leastPollMs);
  });
  return mayAsk ? found : accepted("too soon");
}

/** One job of the client's own; what is somebody else's is to it as what never was. */
export async function ownJob(
  service: Service,
  tenantId: number,
  clientId: string,
  kind: BulkJob["kind"],
  jobId: string,
): Promise<Result<BulkJob>> {
  const job = await readSnapshotInTenant(service.database, tenantId, async (session) => {
    await lookAtBulk(session, clientId);
    return findBulkJob(session, jobId);
  });
  const isOver = job?.expiresMs !== undefined && job.expiresMs <= service.now();
  return job === undefined || job.kind !== kind || isOver ? refused(noJob(kind)) : accepted(job);
}

/** Takes a job of the client's own away with all its files, and ends its work where it still goes on. */
export async function removeJob(
  service: Service,
  tenantId: number,
  clientId: string,
  kind: BulkJob["kind"],
  jobId: string,
): Promise<Result<void>> {
  const found = await ownJob(service, tenantId, clientId, kind, jobId);
  if (!found.ok) return found;
  await inTenant(service.database, tenantId, async (session) => {
    await lookAtBulk(session, clientId);
    await deleteBulkJob(session, jobId);
  });
  return accepted(undefined);
}

function noJob(kind: BulkJob["kind"]): Refusal {
  const detail = `There is no such ${kind} of yours: it never was, was deleted, or its time is over. Ask for a new one.`;
  return { kind: "not-found", detail, status: 404 };
}
