import { localDayOf } from "../domain/local-day.ts";
import { notificationStopped } from "../domain/rules/notification-stopped.ts";
import { possibleDuplicate } from "../domain/rules/possible-duplicate.ts";
import { overdueSteps } from "../domain/task.ts";
import { readInTenant } from "../store/database.ts";
import { lockText } from "../store/lock.ts";
import { overdueSubjectsAbout, readTasksAbout } from "../store/task.ts";
import { carryOut, retried } from "./review-patient.ts";
import type { Service } from "./service.ts";
import { thresholdsNow } from "./tenant-thresholds.ts";

/** Rules that concern no patient and that no review looks for: their Tasks come from messages and from subscribers. */
const toldOnce = [possibleDuplicate.code, notificationStopped.code];

/** Raises the priority of these Tasks of one tenant where they are past their due day, as a review does with all others. */
export async function raiseOverdue(service: Service, tenantId: number): Promise<void> {
  const today = localDayOf(service.now(), service.defaultZone);
  for (const rule of toldOnce) {
    const subjects = await readInTenant(service.database, tenantId, (session) =>
      overdueSubjectsAbout(session, rule, today),
    );
    for (const subject of subjects) {
      await retried(service, tenantId, async (session) => {
        await lockText(session, subject);
        const tasks = await readTasksAbout(session, rule, subject);
        const thresholds = await thresholdsNow(service, session);
        await carryOut(service, session, overdueSteps(tasks, { today, thresholds }), tasks, undefined);
      });
    }
  }
}
