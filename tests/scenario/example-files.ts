import { readInTenant } from "../../src/store/database.ts";
import type { TestService } from "../support/service.ts";

/** The file in `seed/examples/` of each main resource, and a statement's condition that picks it from the loaded story. */
export const exampleFiles: Readonly<Record<string, string>> = {
  "patient.json": "type = 'Patient' and id = 'patient-child'",
  "device-machine.json": "type = 'Device' and id = 'machine-tg-0001'",
  "device-part.json": "type = 'Device' and id = 'part-overdue-circuit-circuit-1'",
  "device-use-handover.json": "type = 'DeviceUseStatement' and id = 'use-swapped-early-machine-1'",
  "device-use-part.json": "type = 'DeviceUseStatement' and id = 'use-of-part-overdue-circuit-circuit-1'",
  "care-plan.json": "type = 'CarePlan' and id = 'plan-chest-infection'",
  "device-request.json": "type = 'DeviceRequest' and id = 'profile-chest-infection-a'",
  "flag.json": "type = 'Flag' and id = 'flag-contraindicated'",
  "encounter.json": "type = 'Encounter' and id = 'encounter-hospital-stay'",
  "condition.json": "type = 'Condition' and id = 'condition-chest-infection'",
  "observation-session.json": `type = 'Observation' and id = (select session_id from therapy_session s
    where s.tenant_id = $1 and s.patient_id = 'patient-wrong-clock' order by s.started_at desc limit 1)`,
  "device-use-session.json": `type = 'DeviceUseStatement' and id = (select 'use-of-' || session_id from therapy_session s
    where s.tenant_id = $1 and s.patient_id = 'patient-wrong-clock' order by s.started_at desc limit 1)`,
  "task.json": `type = 'Task' and id = (select task_id from finding_task f
    where f.tenant_id = $1 and f.patient_id = 'patient-fading' and f.rule = 'low-use')`,
};

/** The one resource that the condition picks, without what the server stamps on each version. */
export async function exampleOf(here: TestService, condition: string): Promise<Record<string, unknown>> {
  const found = await readInTenant(here.database, here.tenantId, (session) =>
    session.query<{ body: string }>(`select body from resource where tenant_id = $1 and ${condition}`, [here.tenantId]),
  );
  if (found.length !== 1) throw new Error(`${found.length} resources where ${condition}`);
  const { meta, ...content } = JSON.parse(found[0]?.body ?? "{}") as { meta?: Record<string, unknown> };
  const { versionId: _, lastUpdated: __, ...kept } = meta ?? {};
  const { resourceType, id, ...rest } = content as Record<string, unknown>;
  return { resourceType, id, ...(Object.keys(kept).length > 0 && { meta: kept }), ...rest };
}

/** JSON as the formatter of this repository leaves it: lists of plain values stay on one line. */
export function prettyJson(value: unknown): string {
  const text = JSON.stringify(value, null, 2);
  return `${text.replace(/\[\s+("[^"]*"(?:,\s+"[^"]*")*)\s+\]/g, (_, inner: string) => `[${inner.replace(/,\s+/g, ", ")}]`)}\n`;
}
