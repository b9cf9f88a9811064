import type { Resource } from "@medplum/fhirtypes";
import type { DayPart } from "../domain/prescription.ts";
import type { EpochMs } from "../domain/time.ts";
import { factsOf } from "../fhir/facts.ts";
import { extractIndexValues } from "../fhir/search/extract.ts";
import { inTenant, type TenantSession } from "../store/database.ts";
import { saveFacts } from "../store/facts.ts";
import { readPatients } from "../store/picture.ts";
import { clearDerived, currentResources, replaceIndex, storedTypes } from "../store/rebuild.ts";
import type { StoredResource } from "../store/resource.ts";
import { listTenants } from "../store/tenant.ts";
import type { Service } from "./service.ts";
import { dayPartsOverTime } from "./tenant-thresholds.ts";

const batchSize = 500;

/** How far a rebuild has come with one type. */
interface Progress {
  readonly tenant: string;
  readonly type: string;
  readonly resources: number;
}

/**
 * Makes all derived rows (index values and facts) anew from the stored resources, tenant by tenant, each in one
 * transaction: readers see the old rows until the new ones are complete, and a crash changes nothing.
 */
export async function rebuild(service: Service, onProgress: (progress: Progress) => void): Promise<void> {
  for (const { tenantId, slug } of await listTenants(service.database)) {
    await inTenant(service.database, tenantId, async (session) => {
      await clearDerived(session);
      const zones = new Map<string, string>();
      const dayPartsAt = await dayPartsOverTime(service, session);
      for (const type of patientsFirst(await storedTypes(session))) {
        let resources = 0;
        let batch = await currentResources(session, type, "", batchSize);
        while (batch.length > 0) {
          await rebuildBatch(service, session, { type, batch }, { zones, dayPartsAt });
          resources += batch.length;
          onProgress({ tenant: slug, type, resources });
          batch = await currentResources(session, type, batch.at(-1)?.id ?? "", batchSize);
        }
      }
    });
  }
}

/** Patients and devices come first, because facts of the others read their zones and kinds. */
function patientsFirst(types: readonly string[]): string[] {
  const first = ["Patient", "Device"].filter((type) => types.includes(type));
  return [...first, ...types.filter((type) => !first.includes(type))];
}

/** Where and by which day parts the sessions of a tenant were settled. */
interface Settling {
  readonly zones: Map<string, string>;
  readonly dayPartsAt: (atMs: EpochMs) => readonly DayPart[];
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
    return { id: stored.id, resource, index, dayParts: dayPartsAt(stored.lastUpdatedMs) };
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
