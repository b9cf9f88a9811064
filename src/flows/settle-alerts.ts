import { type ClockCorrection, correctedMs } from "../domain/clock-correction.ts";
import { type DeviceUse, useAt } from "../domain/device.ts";
import { localDayOf } from "../domain/local-day.ts";
import type { DeviceAlert } from "../fhir/alert.ts";
import { alertId } from "../intake/record-digest.ts";
import type { ReadUpload } from "../intake/use-record.ts";

/**
 * Alerts of people who had the device at the time, each once; one from before or after belongs to nobody and stays in
 * the upload as received.
 */
export function settleAlerts(
  upload: ReadUpload,
  uploadId: string,
  found: {
    readonly deviceId: string;
    readonly uses: readonly DeviceUse[];
    readonly correction: ClockCorrection;
    readonly zoneOf: (patientId: string) => string;
  },
): DeviceAlert[] {
  const alerts = new Map<string, DeviceAlert>();
  for (const { code, at, text } of upload.envelope.alerts ?? []) {
    const time = correctedMs(at, found.correction);
    const use = time.ok ? useAt(found.uses, time.value) : undefined;
    const id = alertId(found.deviceId, { code, at });
    if (!time.ok || use === undefined || alerts.has(id)) continue;
    alerts.set(id, {
      id,
      deviceId: found.deviceId,
      patientId: use.patientId,
      uploadId,
      code,
      atMs: time.value,
      localDay: localDayOf(time.value, found.zoneOf(use.patientId)),
      deviceTime: at,
      ...(text === undefined ? {} : { text }),
    });
  }
  return [...alerts.values()];
}
