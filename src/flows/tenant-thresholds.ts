import type { DayPart } from "../domain/prescription.ts";
import { effectiveThresholds } from "../domain/threshold-setting.ts";
import type { Thresholds } from "../domain/thresholds.ts";
import type { EpochMs } from "../domain/time.ts";
import type { TenantSession } from "../store/database.ts";
import { readDayPartVersions, readThresholdSettings } from "../store/threshold-setting.ts";
import type { Service } from "./service.ts";

/** The tenant's thresholds, by which a session that arrives now is settled, once and for good. */
export async function thresholdsNow(service: Service, session: TenantSession): Promise<Thresholds> {
  return effectiveThresholds(service.thresholds, await readThresholdSettings(session));
}

/**
 * The day parts that were in force at any moment, so that making facts anew settles a session as its write did: those of
 * other systems do not carry the day that they were settled to.
 */
export async function dayPartsOverTime(
  service: Service,
  session: TenantSession,
): Promise<(atMs: EpochMs) => readonly DayPart[]> {
  const versions = await readDayPartVersions(session);
  return (atMs) => versions.findLast((one) => one.setAtMs <= atMs)?.dayParts ?? service.thresholds.dayParts;
}
