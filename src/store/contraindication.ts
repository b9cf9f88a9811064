import type { Contraindication } from "../domain/contraindication.ts";
import type { TenantSession } from "./database.ts";

/** The contraindications of these patients whose flags are stated active, whatever their period says. */
export async function activeContraindications(
  session: TenantSession,
  patientIds: readonly string[],
): Promise<(Contraindication & { readonly patientId: string })[]> {
  const rows = await session.query<{ patient_id: string; fact: Contraindication }>(
    `select patient_id, fact from patient_fact
     where tenant_id = $1 and patient_id = any($2::text[]) and kind = 'contraindication' and (fact ->> 'active')::boolean
     order by patient_id, source_id`,
    [session.tenantId, patientIds],
  );
  return rows.map(({ patient_id: patientId, fact }) => ({ ...fact, patientId }));
}
