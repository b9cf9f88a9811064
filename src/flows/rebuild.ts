import type { Resource } from "@medplum/fhirtypes";
import type { DayPart } from "../domain/prescription.ts";
import type { EpochMs } from "../domain/time.ts";
import { factsOf } from "../fhir/facts.ts";
import { extractIndexValues } from "../fhir/search/extract.ts";
import { inTenant, type TenantSession } from "../store/database.ts";
import { saveFacts } from "../store/facts.ts";
import { readPatients } from "../store/picture.ts";
import {
  currentResources,
  finishPlace,
  forgetPlace,
  movePlace,
  replaceIndex,
  storedTypes,
  sweepDerived,
  takePlace,
} from "../store/rebuild.ts";
import type { StoredResource } from "../store/resource.ts";
import { listTenants } from "../store/tenant.ts";
import type { Service } from "./service.ts";
import { dayPartsOverTime } from "./tenant-thresholds.ts";

const batchSize = 750;

/** How far a rebuild has come. */
export interface RebuildProgress {
  readonly tenant: string;
  readonly type: string;
  /** Resources of the tenant that are done, of so many; before this start as well. */
  readonly done: number;
  readonly total: number;
  /** Resources a second since this start. */
  readonly rate: number;
}

/** How a rebuild is done. */
export interface RebuildOptions {
  /** "begin" forgets where an earlier one that was interrupted had come to; "go-on" goes on there. */
  readonly start?: "begin" | "go-on";
  readonly batchSize?: number;
  readonly onProgress: (progress: RebuildProgress) => void;
}

/**
 * Makes all derived rows (index values and facts) anew from the stored resources, tenant by tenant, in batches that each are one
 * transaction with the place it has come to. So a reader sees of each resource either the rows of before or the right ones,
 * writers wait for a batch at most, and a rebuild that is interrupted goes on where it was; several at once share the work.
 * At the end rows go that no resource in force states.
 */
export async function rebuild(service: Service, options: RebuildOptions): Promise<void> {
  const { database } = service;
  const tenants = await listTenants(database);
  if (options.start === "begin") for (const { tenantId } of tenants) await inTenant(database, tenantId, forgetPlace);
  const startMs = performance.now();
  let here = 0;
  for (const tenant of tenants) {
    const settling: Settling = { zones: new Map() };
    for (;;) {
      const batch = await inTenant(database, tenant.tenantId, (session) =>
        nextBatch(service, session, settling, options.batchSize ?? batchSize),
      );
      if (batch === undefined) break;
      here += batch.resources;
      const rate = (here * 1_000) / (performance.now() - startMs);
      options.onProgress({ tenant: tenant.slug, type: batch.type, done: batch.done, total: batch.total, rate });
    }
  }
  for (const { tenantId } of tenants) await inTenant(database, tenantId, forgetPlace);
}

interface DoneBatch {
  readonly type: string;
  readonly resources: number;
  readonly done: number;
  readonly total: number;
}

/** Does what comes next of a tenant; undefined when all of it is done. */
async function nextBatch(
  service: Service,
  session: TenantSession,
  settling: Settling,
  count: number,
): Promise<DoneBatch | undefined> {
  const place = await takePlace(session, service.now());
  if (place.finishedAt !== null) return undefined;
  settling.dayPartsAt ??= await dayPartsOverTime(service, session);
  settling.types ??= patientsFirst(await storedTypes(session));
  const { types } = settling;
  for (const type of types.slice(Math.max(0, types.indexOf(place.type)))) {
    const batch = await currentResources(session, type, type === place.type ? place.afterId : "", count);
    const afterId = batch.at(-1)?.id;
    if (afterId === undefined) continue;
    await rebuildBatch(service, session, { type, batch }, settling);
    await movePlace(session, { type, afterId }, batch.length);
    return { type, resources: batch.length, done: place.done + batch.length, total: place.total };
  }
  await sweepDerived(session);
  await finishPlace(session, service.now());
  return undefined;
}

/** Patients and devices come first, because facts of the others read their zones and kinds. */
function patientsFirst(types: readonly string[]): string[] {
  const first = ["Patient", "Device"].filter((type) => types.includes(type));
  return [...first, ...types.filter((type) => !first.includes(type))];
}

/** Where and by which day parts the sessions of a tenant were settled. */
interface Settling {
  readonly zones: Map<string, string>;
  /** Read with the first batch. */
  dayPartsAt?: (atMs: EpochMs) => readonly DayPart[];
  types?: readonly string[];
}

async function rebuildBatch(
  service: Service,
  session: TenantSession,
  { type, batch }: { readonly type: string; readonly batch: readonly StoredResource[] },
  { zones, dayPartsAt }: Settling,
): Promise<void> {
  const entries = batch.map((stored) => {
    const resource = JSON.parse(stored.body) as Resource;
    const index = extractIndexValues(service.definitions, resource);
    return { id: stored.id, resource, index, dayParts: dayPartsAt?.(stored.lastUpdatedMs) ?? [] };
  });
  await replaceIndex(session, type, entries);
  await rememberZones(
    session,
    zones,
    entries.flatMap(({ index }) => index.hot.patientId ?? []),
  );
  await saveFacts(
    session,
    entries.map(({ id, resource, index, dayParts }) => {
      const zone = zones.get(index.hot.patientId ?? "") ?? service.defaultZone;
      return { type, id, facts: factsOf(resource, { zone, dayParts }) };
    }),
  );
}

async function rememberZones(
  session: TenantSession,
  zones: Map<string, string>,
  patientIds: readonly string[],
): Promise<void> {
  const unknown = [...new Set(patientIds)].filter((id) => !zones.has(id));
  if (unknown.length === 0) return;
  for (const patient of await readPatients(session, unknown)) zones.set(patient.patientId, patient.zone);
}
