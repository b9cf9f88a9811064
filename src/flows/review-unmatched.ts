import { localDayOf } from "../domain/local-day.ts";
import { unmatchedRecordFinding } from "../domain/rules/unmatched-record.ts";
import { taskSteps } from "../domain/task.ts";
import { lockDevice } from "../store/session.ts";
import { readTasksAbout } from "../store/task.ts";
import { unmatchedUploads } from "../store/upload.ts";
import { carryOut, retried } from "./review-patient.ts";
import type { Service } from "./service.ts";
import { thresholdsNow } from "./tenant-thresholds.ts";

/** Brings the Task about one device's unmatched records in line with what still waits; it concerns no patient yet. */
export async function reviewUnmatched(service: Service, tenantId: number, deviceIdentifier: string): Promise<void> {
  await retried(service, tenantId, async (session) => {
    await lockDevice(session, deviceIdentifier);
    const waiting = await unmatchedUploads(session, deviceIdentifier);
    const nowMs = service.now();
    const today = localDayOf(nowMs, service.defaultZone);
    const [first] = waiting;
    const finding =
      first &&
      unmatchedRecordFinding({
        deviceIdentifier,
        uploadIds: waiting.map((one) => one.uploadId),
        refusedCount: waiting.reduce((sum, one) => sum + one.refusedCount, 0),
        firstReceivedDay: localDayOf(first.receivedMs, service.defaultZone),
        reason: first.reason === "unknown-device" ? "unknown-device" : "device-with-nobody",
      });
    const subject = `device:${deviceIdentifier}`;
    const tasks = await readTasksAbout(session, "unmatched-record", subject);
    const thresholds = await thresholdsNow(service, session);
    const findings = finding === undefined ? [] : [{ ...finding, thresholdsVersion: thresholds.version }];
    const steps = taskSteps(findings, tasks, { today, nowMs, thresholds, applicable: () => true });
    await carryOut(service, session, steps, tasks, undefined);
  });
}
