import type { AuditEntry } from "../fhir/audit-event.ts";
import { type NotificationKind, notificationText, type ToldEvent } from "../fhir/notification.ts";
import type { Subscribed } from "../fhir/subscription.ts";
import type { ResourceEvent } from "../store/event.ts";
import { referenceOf } from "../store/resource.ts";
import type { SubscriptionState } from "../store/subscription.ts";
import { seenNow } from "./match-events.ts";
import { headerFields } from "./notification-headers.ts";
import type { Notifications } from "./notification-settings.ts";
import { signatureHeaders } from "./notification-signature.ts";
import type { Service } from "./service.ts";

/** What it takes to tell an endpoint something. */
export interface Telling {
  readonly service: Service;
  readonly settings: Notifications;
  readonly tenantId: number;
  readonly state: SubscriptionState;
  readonly asked: Subscribed;
  /** What the client of the Subscription may see. */
  readonly seen: Service;
}

/** What one try came to. */
export interface Told {
  /** Why it was not taken; absent where it was. */
  readonly problem?: string;
  /** Resources that it named or showed, and whose they are. */
  readonly entities: readonly string[];
  readonly patientIds: readonly string[];
  /** Requests that wrote what it tells of. */
  readonly requestIds: readonly string[];
}

/** Where there is nothing to say. */
export const nothingTold: Told = { entities: [], patientIds: [], requestIds: [] };

/** The entry that a try leaves in the trail: an export to the client, whether its endpoint took it or not. */
export function disclosure(service: Service, state: SubscriptionState, told: Told): AuditEntry {
  const { problem, entities, patientIds, requestIds } = told;
  const [requestId = "", ...others] = requestIds;
  return {
    atMs: service.now(),
    clientId: state.clientId,
    action: "R",
    kind: "export",
    outcome: problem === undefined ? "0" : "4",
    route: "Subscription",
    // An entry names one request; of several the log tells.
    requestId: others.length === 0 ? requestId : "",
    patientIds: [...patientIds],
    entities: [`Subscription/${state.subscriptionId}`, ...entities],
    ...(problem === undefined ? {} : { reason: problem }),
  };
}

/** Sends one notification: what its client may see of the events now. */
export async function notify(work: Telling, kind: NotificationKind, events: readonly ResourceEvent[]): Promise<Told> {
  const { tenantId, asked, seen } = work;
  const bodies = await seenNow(seen, tenantId, events);
  const told = events.map((event): ToldEvent => {
    const body = bodies.get(referenceOf(event));
    return { ...event, ...(body === undefined ? {} : { focus: referenceOf(event), body }) };
  });
  const named = asked.content === "empty" ? [] : events.filter((event) => bodies.has(referenceOf(event)));
  const shown = {
    entities: [...new Set(named.map(referenceOf))],
    patientIds: [...new Set(named.flatMap(({ patientId }) => patientId ?? []))],
    requestIds: [...new Set(events.flatMap(({ requestId }) => requestId ?? []))],
  };
  const problem = await (asked.topic === undefined
    ? notifyPlainly(work, told)
    : notifyByTopic(work, kind, events, told));
  return { ...shown, ...(problem === undefined ? {} : { problem }) };
}

function notifyByTopic(
  work: Telling,
  kind: NotificationKind,
  events: readonly ResourceEvent[],
  told: readonly ToldEvent[],
): Promise<string | undefined> {
  const { service, state, asked, settings } = work;
  const status = {
    subscriptionId: state.subscriptionId,
    ...(asked.topic === undefined ? {} : { topicUrl: asked.topic.url }),
    state: state.state,
    events: events.at(-1)?.number ?? state.events,
  };
  const body = notificationText(settings.base, status, kind, {
    id: service.newId(),
    nowMs: service.now(),
    content: asked.content,
    events: told,
  });
  return post(work, "POST", asked.endpoint, body);
}

/** As R4 has it: an empty POST that says only that there is something, or each resource as an update. */
async function notifyPlainly(work: Telling, told: readonly ToldEvent[]): Promise<string | undefined> {
  const { asked } = work;
  if (asked.content === "empty" || told.length === 0) return post(work, "POST", asked.endpoint, "");
  for (const { focus, body } of new Map(told.map((one) => [one.focus, one])).values()) {
    if (focus === undefined || body === undefined) continue;
    const problem = await post(work, "PUT", `${asked.endpoint.replace(/\/$/, "")}/${focus}`, body);
    if (problem !== undefined) return problem;
  }
  return undefined;
}

function post(work: Telling, method: "POST" | "PUT", url: string, body: string): Promise<string | undefined> {
  const { service, settings, state, asked } = work;
  const timeoutMs = Math.min(settings.timeoutMs, (asked.timeoutSeconds ?? Number.POSITIVE_INFINITY) * 1_000);
  return settings.send({
    method,
    url,
    headers: {
      ...headerFields(state.headers),
      ...(body === "" ? {} : { "content-type": "application/fhir+json" }),
      "user-agent": "tidegate",
      ...signatureHeaders(state.secret, body, service.now()),
    },
    body,
    timeoutMs,
  });
}
