import type { Subscription } from "@medplum/fhirtypes";
import { localDayOf } from "../domain/local-day.ts";
import { notificationStopped, notificationStoppedFinding } from "../domain/rules/notification-stopped.ts";
import { taskSteps } from "../domain/task.ts";
import { effectiveThresholds } from "../domain/threshold-setting.ts";
import type { TenantSession } from "../store/database.ts";
import { unwatchEvents } from "../store/event.ts";
import { lockResources } from "../store/resource.ts";
import { noteTry, type SubscriptionState } from "../store/subscription.ts";
import { readTasksAbout } from "../store/task.ts";
import { readThresholdSettings } from "../store/threshold-setting.ts";
import { commitOne } from "./commit-writes.ts";
import { carryOut, retried } from "./review-patient.ts";
import type { Service } from "./service.ts";

/** What the service makes of a Subscription, and why. */
export interface Becoming {
  readonly state: "active" | "error" | "off";
  readonly problem?: string;
  readonly heartbeatMs?: number;
}

/**
 * Makes a Subscription active, off, or in error, both in its resource and in its state, and raises or closes the Task about it.
 * Where it was written meanwhile (`version`), nothing is done: what was tried was another.
 */
export async function becomes(
  service: Service,
  tenantId: number,
  was: SubscriptionState & { readonly version: number },
  becoming: Becoming,
): Promise<void> {
  await retried(service, tenantId, async (session) => {
    const [stored] = await lockResources(session, [`Subscription/${was.subscriptionId}`]);
    if (stored === undefined || stored.deleted || stored.version !== was.version) return;
    const { error: _, ...before } = JSON.parse(stored.body) as Subscription;
    const { state, problem } = becoming;
    const resource: Subscription = { ...before, status: state, ...(problem === undefined ? {} : { error: problem }) };
    const write = { type: "Subscription", id: was.subscriptionId, resource };
    await commitOne(service, session, write, stored, { ownWork: true });
    await noteTry(session, was.subscriptionId, { ...becoming, failures: state === "active" ? 0 : was.failures });
    if (state === "off") await unwatchEvents(session);
    await settleTask(service, session, was, becoming);
  });
}

async function settleTask(
  service: Service,
  session: TenantSession,
  was: SubscriptionState,
  { state, problem = "" }: Becoming,
): Promise<void> {
  const { subscriptionId, failures, events, delivered } = was;
  const nowMs = service.now();
  const today = localDayOf(nowMs, service.defaultZone);
  const tasks = await readTasksAbout(session, notificationStopped.code, `subscription:${subscriptionId}`);
  const thresholds = effectiveThresholds(service.thresholds, await readThresholdSettings(session));
  const waiting = events - delivered;
  const findings =
    state === "error"
      ? [notificationStoppedFinding({ subscriptionId, failures, waiting, sinceDay: today, problem })]
      : [];
  const versioned = findings.map((finding) => ({ ...finding, thresholdsVersion: thresholds.version }));
  const steps = taskSteps(versioned, tasks, { today, nowMs, thresholds, applicable: () => true });
  await carryOut(service, session, steps, tasks, undefined);
}
