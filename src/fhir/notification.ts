import type { CodeableConcept, Parameters, ParametersParameter } from "@medplum/fhirtypes";
import { backportUrls, type PayloadContent } from "./subscription.ts";

/** Why a status is told (https://hl7.org/fhir/uv/subscriptions-backport/STU1.1/StructureDefinition-backport-subscription-status-r4.html). */
export type NotificationKind = "handshake" | "heartbeat" | "event-notification" | "query-status" | "query-event";

/** One event as it is told; without a focus where it is not said, or not to be seen, which resource it was. */
export interface ToldEvent {
  readonly number: number;
  readonly atMs: number;
  readonly action: "create" | "update" | "delete";
  /** `Type/id`. */
  readonly focus?: string;
  /** The resource's JSON text, where it is told whole. */
  readonly body?: string;
}

/** What a status says of a Subscription. */
export interface SubscriptionStatus {
  readonly subscriptionId: string;
  readonly topicUrl?: string;
  readonly state: "requested" | "active" | "error" | "off";
  readonly events: number;
  readonly problem?: string;
}

/** The status of a Subscription as R4 carries it: a Parameters resource of the guide's profile. */
export function statusParameters(
  base: string,
  status: SubscriptionStatus,
  kind: NotificationKind,
  events: readonly ToldEvent[] = [],
): Parameters {
  const error: CodeableConcept | undefined = status.problem === undefined ? undefined : { text: status.problem };
  return {
    resourceType: "Parameters",
    meta: { profile: [backportUrls.status] },
    parameter: [
      {
        name: "subscription",
        valueReference: { reference: `${base}/Subscription/${status.subscriptionId}` },
      },
      ...(status.topicUrl === undefined ? [] : [{ name: "topic", valueCanonical: status.topicUrl }]),
      { name: "status", valueCode: status.state },
      { name: "type", valueCode: kind },
      { name: "events-since-subscription-start", valueString: String(status.events) },
      ...events.map((event) => eventParameter(base, event)),
      ...(error === undefined ? [] : [{ name: "error", valueCodeableConcept: error }]),
    ],
  };
}

function eventParameter(base: string, { number, atMs, focus }: ToldEvent): ParametersParameter {
  return {
    name: "notification-event",
    part: [
      { name: "event-number", valueString: String(number) },
      { name: "timestamp", valueInstant: new Date(atMs).toISOString() },
      ...(focus === undefined ? [] : [{ name: "focus", valueReference: { reference: `${base}/${focus}` } }]),
    ],
  };
}

/**
 * A notification as JSON text: a Bundle of type history, the status first. Every entry has its request and response, as a history
 * asks for them (bdl-3 and bdl-4 of https://hl7.org/fhir/R4/bundle.html). Resources stand in it as they are stored.
 */
export function notificationText(
  base: string,
  status: SubscriptionStatus,
  kind: NotificationKind,
  options: {
    readonly id: string;
    readonly nowMs: number;
    readonly content: PayloadContent;
    readonly events?: readonly ToldEvent[];
  },
): string {
  const { id, nowMs, content, events = [] } = options;
  const told = events.map(({ number, atMs, action, focus, body }): ToldEvent => {
    const said = content === "empty" || focus === undefined ? {} : { focus };
    return { number, atMs, action, ...said, ...(content === "full-resource" && body !== undefined ? { body } : {}) };
  });
  // A resource that changed several times is told once, as it is now.
  const resources = new Map(told.flatMap((one) => (one.focus === undefined ? [] : [[one.focus, one] as const])));
  const first = {
    fullUrl: `urn:uuid:${id}`,
    resource: statusParameters(base, status, kind, told),
    request: { method: "GET", url: `${base}/Subscription/${status.subscriptionId}/$status` },
    response: { status: "200" },
  };
  const entries = [JSON.stringify(first), ...[...resources.values()].flatMap((one) => resourceEntry(base, one))];
  const bundle = {
    resourceType: "Bundle",
    meta: { profile: [backportUrls.notification] },
    type: "history",
    timestamp: new Date(nowMs).toISOString(),
  };
  return `${JSON.stringify(bundle).slice(0, -1)},"entry":[${entries.join(",")}]}`;
}

function resourceEntry(base: string, { focus, body, action }: ToldEvent): string[] {
  if (focus === undefined || body === undefined) return [];
  const created = action === "create";
  const request = created ? { method: "POST", url: focus.split("/")[0] } : { method: "PUT", url: focus };
  const response = { status: created ? "201" : "200" };
  return [
    `{"fullUrl":${JSON.stringify(`${base}/${focus}`)},"resource":${body},"request":${JSON.stringify(request)},"response":${JSON.stringify(response)}}`,
  ];
}
