import { inTenant } from "../store/database.ts";
import { forgetEvents, hasUnnumbered, numberEvents } from "../store/event.ts";
import { queueNotifications } from "../store/subscription.ts";
import { listTenants } from "../store/tenant.ts";
import { defaultNotificationSettings } from "./notification-settings.ts";
import type { Service } from "./service.ts";

/** How often it is asked whether anybody is to be told anything: so long a notification takes at most to be begun. */
const pulseMs = 1_000;

/** Whose statements concern all tenants at once. */
const noTenant = 0;

/**
 * Queues what is due for Subscriptions, again and again; `stop` waits for the question that is under way. Every worker does so:
 * what one has queued another does not queue again.
 */
export function pulseNotifications(service: Service): { stop(): Promise<void> } {
  let going = Promise.resolve();
  let isGoing = false;
  const timer = setInterval(() => {
    if (isGoing) return;
    isGoing = true;
    going = queueDue(service).finally(() => {
      isGoing = false;
    });
  }, pulseMs);
  return {
    stop: () => {
      clearInterval(timer);
      return going;
    },
  };
}

async function queueDue({ database, now, log }: Service): Promise<void> {
  try {
    await inTenant(database, noTenant, (session) => queueNotifications(session, now()));
  } catch (error) {
    log.warn({ code: (error as { code?: string }).code }, "it could not be asked whom to notify; asking again");
  }
}

/** Deletes events that are kept no longer, in every tenant, and numbers those that nobody has asked for. */
export async function forgetOldEvents(service: Service): Promise<void> {
  const { database, notifications = defaultNotificationSettings } = service;
  for (const { tenantId } of await listTenants(database)) {
    while (await inTenant(database, tenantId, hasUnnumbered))
      await inTenant(database, tenantId, (s) => numberEvents(s));
    await inTenant(database, tenantId, (session) => forgetEvents(session, service.now() - notifications.keptMs));
  }
}
