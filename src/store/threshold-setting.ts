import type { DayPart } from "../domain/prescription.ts";
import type { ThresholdSetting, ThresholdValues } from "../domain/threshold-setting.ts";
import type { EpochMs } from "../domain/time.ts";
import { instant, type TenantSession } from "./database.ts";

/** One version as it was set: when, by whom and why, in their own words. */
export interface StoredThresholdSetting extends ThresholdSetting {
  readonly setAtMs: EpochMs;
  readonly setBy?: string;
  readonly note?: string;
}

interface Row {
  readonly plan_id: string;
  readonly version: number;
  readonly set_at: number;
  readonly set_by: string | null;
  readonly note: string | null;
  readonly settings: ThresholdValues;
}

const columns = "plan_id, version, set_at, set_by, note, settings";

/**
 * The latest settings of the tenant, and of each plan of this patient when one is named. With `asOfMs` those that were
 * in force at that moment: what was set later is left out.
 */
export async function readThresholdSettings(
  session: TenantSession,
  patientId?: string,
  asOfMs?: EpochMs,
): Promise<ThresholdSetting[]> {
  return readManyThresholdSettings(session, patientId === undefined ? [] : [patientId], asOfMs);
}

/** The same with the settings of each plan of these patients. */
export async function readManyThresholdSettings(
  session: TenantSession,
  patientIds: readonly string[],
  asOfMs?: EpochMs,
): Promise<ThresholdSetting[]> {
  const rows = await session.query<Row>(
    `select distinct on (plan_id) ${columns} from threshold_setting
     where tenant_id = $1 and ($3::timestamptz is null or set_at <= $3::timestamptz) and (plan_id = '' or plan_id in
       (select source_id from patient_fact where tenant_id = $1 and patient_id = any($2::text[]) and kind = 'plan'))
     order by plan_id, version desc`,
    [session.tenantId, patientIds, instant(asOfMs)],
  );
  return rows.map((row) => settingOf(row));
}

/** The latest settings at one level; undefined where nothing was ever set. `planId` absent: the tenant's own. */
export async function latestThresholdSetting(
  session: TenantSession,
  planId: string | undefined,
): Promise<StoredThresholdSetting | undefined> {
  return (await thresholdHistory(session, planId, { count: 1 }))[0];
}

/** The versions at one level, newest first, from below `beforeVersion` on where one is given. Empty where none is. */
export async function thresholdHistory(
  session: TenantSession,
  planId: string | undefined,
  page: { readonly count: number; readonly beforeVersion?: number },
): Promise<StoredThresholdSetting[]> {
  const rows = await session.query<Row>(
    `select ${columns} from threshold_setting
     where tenant_id = $1 and plan_id = $2 and ($3::int is null or version < $3::int)
     order by version desc limit $4::int`,
    [session.tenantId, planId ?? "", page.beforeVersion ?? null, page.count],
  );
  return rows.map(settingOf);
}

/** The latest own settings of every plan of the tenant that overrides anything and is still a plan here. */
export async function planThresholdSettings(session: TenantSession): Promise<ThresholdSetting[]> {
  const rows = await session.query<Row>(
    `select * from (
       select distinct on (plan_id) ${columns} from threshold_setting
       where tenant_id = $1 and plan_id <> '' order by plan_id, version desc
     ) latest
     where settings <> '{}'::jsonb
       and plan_id in (select source_id from patient_fact where tenant_id = $1 and kind = 'plan')
     order by plan_id`,
    [session.tenantId],
  );
  return rows.map(settingOf);
}

/**
 * Adds a version. Throws PostgreSQL's unique violation when there is one of this number: who adds the next holds a lock
 * from the look at the latest to here.
 */
export async function addThresholdSetting(session: TenantSession, setting: StoredThresholdSetting): Promise<void> {
  await session.query(
    `insert into threshold_setting (tenant_id, plan_id, version, set_at, set_by, note, settings)
     values ($1, $2, $3, $4::timestamptz, $5, $6, $7::jsonb)`,
    [
      session.tenantId,
      setting.planId ?? "",
      setting.version,
      instant(setting.setAtMs),
      setting.setBy ?? null,
      setting.note ?? null,
      JSON.stringify(setting.settings),
    ],
  );
}

/** The tenant's day parts as each version left them, oldest first; absent in a version that sets none. */
export async function readDayPartVersions(
  session: TenantSession,
): Promise<{ readonly setAtMs: EpochMs; readonly dayParts?: readonly DayPart[] }[]> {
  const rows = await session.query<{ set_at: number; day_parts: readonly DayPart[] | null }>(
    `select set_at, settings #> '{dayParts,value}' as day_parts from threshold_setting
     where tenant_id = $1 and plan_id = '' order by version`,
    [session.tenantId],
  );
  return rows.map((row) => ({ setAtMs: row.set_at, ...(row.day_parts === null ? {} : { dayParts: row.day_parts }) }));
}

/** The patient whose plan this is; undefined when this tenant has no such plan. */
export async function patientOfPlan(session: TenantSession, planId: string): Promise<string | undefined> {
  const rows = await session.query<{ patient_id: string }>(
    "select patient_id from patient_fact where tenant_id = $1 and kind = 'plan' and source_id = $2 limit 1",
    [session.tenantId, planId],
  );
  return rows[0]?.patient_id;
}

/** Queues the review of every patient whose record is in use, in the caller's transaction and in one statement. */
export async function queueAllReviews(session: TenantSession): Promise<void> {
  await session.query(
    "select queue_reviews(array(select patient_id from patient where tenant_id = $1 and active order by patient_id))",
    [session.tenantId],
  );
}

function settingOf(row: Row): StoredThresholdSetting {
  return {
    ...(row.plan_id === "" ? {} : { planId: row.plan_id }),
    version: row.version,
    setAtMs: row.set_at,
    ...(row.set_by === null ? {} : { setBy: row.set_by }),
    ...(row.note === null ? {} : { note: row.note }),
    settings: row.settings,
  };
}
