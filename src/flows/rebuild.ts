import type { Resource } from "@medplum/fhirtypes";
import { factsOf } from "../fhir/facts.ts";
import { extractIndexValues } from "../fhir/search/extract.ts";
import { inTenant, readInTenant } from "../store/database.ts";
import { saveFacts } from "../store/facts.ts";
import { readPatients } from "../store/picture.ts";
import { clearDerived, currentResources, replaceIndex } from "../store/rebuild.ts";
import { listTenants } from "../store/tenant.ts";
import type { Service } from "./service.ts";

const batchSize = 500;

/** Patients and devices come first, because facts of the others read their zones and kinds. */
const firstTypes = ["Patient", "Device"];

/**
 * Makes all derived rows (index values and facts) anew from the stored resources, tenant by tenant, each in one
 * transaction: readers see the old rows until the new ones are complete, and a crash changes nothing.
 */
export async function rebuild(
  service: Service,
  onProgress: (done: { tenant: string; type: string; resources: number }) => void,
): Promise<void> {
  for (const { tenantId, slug } of await listTenants(service.database)) {
    const types = await readInTenant(service.database, tenantId, async (session) => {
      const rows = await session.query<{ type: string }>(
        "select distinct type from resource where tenant_id = $1 order by type",
        [tenantId],
      );
      return rows.map((row) => row.type);
    });
    const ordered = [
      ...firstTypes.filter((type) => types.includes(type)),
      ...types.filter((type) => !firstTypes.includes(type)),
    ];
    await inTenant(service.database, tenantId, async (session) => {
      await clearDerived(session);
      const zones = new Map<string, string>();
      for (const type of ordered) {
        let resources = 0;
        let after = "";
        for (;;) {
          const batch = await currentResources(session, type, after, batchSize);
          if (batch.length === 0) break;
          const parsed = batch.map((stored) => JSON.parse(stored.body) as Resource);
          const indexes = parsed.map((resource) => extractIndexValues(service.definitions, resource));
          await replaceIndex(
            session,
            type,
            batch.map((stored, i) => ({ id: stored.id, index: indexes[i] })),
          );
          await rememberZones(
            session,
            zones,
            indexes.flatMap((index) => index.hot.patientId ?? []),
          );
          await saveFacts(
            session,
            parsed.map((resource, i) => {
              const zone = zones.get(indexes[i]?.hot.patientId ?? "") ?? service.defaultZone;
              return {
                type,
                id: resource.id ?? "",
                facts: factsOf(resource, { zone, dayParts: service.thresholds.dayParts }),
              };
            }),
          );
          resources += batch.length;
          after = batch.at(-1)?.id ?? after;
          onProgress({ tenant: slug, type, resources });
        }
      }
    });
  }
}

async function rememberZones(
  session: Parameters<typeof readPatients>[0],
  zones: Map<string, string>,
  patientIds: readonly string[],
): Promise<void> {
  const unknown = [...new Set(patientIds)].filter((id) => !zones.has(id));
  if (unknown.length === 0) return;
  for (const patient of await readPatients(session, unknown)) zones.set(patient.patientId, patient.zone);
}
