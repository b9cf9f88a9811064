import type { ThresholdSetting } from "../domain/threshold-setting.ts";
import type { TenantSession } from "./database.ts";

/** The latest settings of the tenant, and of each plan of this patient when one is named. */
export async function readThresholdSettings(session: TenantSession, patientId?: string): Promise<ThresholdSetting[]> {
  const rows = await session.query<{ plan_id: string; version: number; settings: ThresholdSetting["settings"] }>(
    `select distinct on (plan_id) plan_id, version, settings from threshold_setting
     where tenant_id = $1 and (plan_id = '' or plan_id in
       (select source_id from patient_fact where tenant_id = $1 and patient_id = $2::text and kind = 'plan'))
     order by plan_id, version desc`,
    [session.tenantId, patientId ?? null],
  );
  return rows.map(({ plan_id, version, settings }) => ({
    ...(plan_id === "" ? {} : { planId: plan_id }),
    version,
    settings,
  }));
}
