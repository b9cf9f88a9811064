import type { Extension, Subscription } from "@medplum/fhirtypes";
import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import { type Topic, topicOf, topics } from "./subscription-topics.ts";
import { withoutVersion } from "./terminology/canonical.ts";

const backport = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition";

/** Addresses of the Subscriptions R5 Backport guide 1.1.0 (https://hl7.org/fhir/uv/subscriptions-backport/STU1.1/). */
export const backportUrls = {
  subscription: `${backport}/backport-subscription`,
  status: `${backport}/backport-subscription-status-r4`,
  notification: `${backport}/backport-subscription-notification-r4`,
  filter: `${backport}/backport-filter-criteria`,
  heartbeat: `${backport}/backport-heartbeat-period`,
  timeout: `${backport}/backport-timeout`,
  maxCount: `${backport}/backport-max-count`,
  content: `${backport}/backport-payload-content`,
  topicCanonical: `${backport}/capabilitystatement-subscriptiontopic-canonical`,
} as const;

/** How much of what happened a notification says. */
export type PayloadContent = "empty" | "id-only" | "full-resource";

export const payloadContents: readonly PayloadContent[] = ["empty", "id-only", "full-resource"];

/** What a Subscription asks for. */
export interface Subscribed {
  /** Absent where the criteria are a search, as R4 itself has it. */
  readonly topic?: Topic;
  readonly type: string;
  /** Queries of the type; a resource is told that answers all of them. */
  readonly queries: readonly string[];
  /** Without a topic, `empty` is a POST without a body, and `full-resource` a PUT of each resource. */
  readonly content: PayloadContent;
  readonly endpoint: string;
  /** Lines such as `Authorization: Bearer …`. */
  readonly headers: readonly string[];
  readonly heartbeatSeconds?: number;
  readonly timeoutSeconds?: number;
  readonly maxCount?: number;
  /** When it ends by itself. */
  readonly endMs?: number;
}

type Extended = Subscription & {
  readonly _criteria?: { readonly extension?: readonly Extension[] };
  readonly channel: { readonly _payload?: { readonly extension?: readonly Extension[] } };
};

const valuesOf = (extensions: readonly Extension[] | undefined, url: string) =>
  (extensions ?? []).filter((one) => one.url === url);

/**
 * Reads what a Subscription asks for (https://hl7.org/fhir/R4/subscription.html, and with the profile of the guide as it says).
 * Whether its queries are searches of this service is for whoever knows the definitions.
 */
export function readSubscription(subscription: Subscription): Result<Subscribed> {
  const { channel, criteria } = subscription as Extended;
  const refusals: Refusal[] = [];
  const refuse = (at: string, detail: string) =>
    refusals.push({ kind: "not-supported", detail, at: `Subscription.${at}`, status: 422 });
  if (channel.type !== "rest-hook") refuse("channel.type", "Only rest-hook is served here.");
  const endpoint = channel.endpoint ?? "";
  if (endpoint === "") refuse("channel.endpoint", "A rest-hook names the address that is told.");
  const payload = channel.payload;
  if (payload !== undefined && !/^application\/(fhir\+)?json$/.test(payload)) {
    refuse("channel.payload", "The payload is application/fhir+json.");
  }
  const isTopic = isBackport(subscription);
  const asked = isTopic
    ? byTopic(subscription as Extended, refuse)
    : byCriteria(criteria, payload !== undefined, refuse);
  const end = subscription.end === undefined ? undefined : Date.parse(subscription.end);
  if (refusals.length > 0 || asked === undefined) return refused(...refusals);
  return accepted({
    ...asked,
    endpoint,
    headers: channel.header ?? [],
    ...(end === undefined ? {} : { endMs: end }),
  });
}

/** Whether it follows the guide: by its profile, or because its criteria are one of our topics. */
export function isBackport(subscription: Subscription): boolean {
  const { meta, criteria } = subscription;
  const profiles = meta?.profile ?? [];
  return (
    profiles.some((one) => withoutVersion(one) === backportUrls.subscription) ||
    topicOf(withoutVersion(criteria)) !== undefined
  );
}

type Refuse = (at: string, detail: string) => void;
type Asked = Omit<Subscribed, "endpoint" | "headers" | "endMs">;

/** A query that asks how to be answered finds nothing more or less for it. */
const answering = /^(_sort|_count|_include|_revinclude|_summary|_elements|_total|_format|_pretty|_cursor)(:|$)/;

function byCriteria(criteria: string, hasPayload: boolean, refuse: Refuse): Asked | undefined {
  const [type = "", query = "", ...more] = criteria.split("?");
  if (!/^[A-Z][A-Za-z]+$/.test(type) || more.length > 0) {
    refuse("criteria", "Criteria are a search such as Task?status=requested.");
    return undefined;
  }
  refuseAnswering(query, "criteria", refuse);
  return { type, queries: query === "" ? [] : [query], content: hasPayload ? "full-resource" : "empty" };
}

function byTopic(subscription: Extended, refuse: Refuse): Asked | undefined {
  const { channel, criteria } = subscription;
  const topic = topicOf(withoutVersion(criteria));
  if (topic === undefined) {
    refuse("criteria", `The topics of this service are ${topics.map(({ url }) => url).join(" and ")}.`);
    return undefined;
  }
  const filters = valuesOf(subscription._criteria?.extension, backportUrls.filter).map((one) => one.valueString ?? "");
  const queries = filters.flatMap((filter) => {
    const [type = "", query = ""] = filter.includes("?") ? filter.split("?") : [topic.type, filter];
    if (type !== topic.type) refuse("criteria", `A filter of this topic is a search of ${topic.type}.`);
    refuseAnswering(query, "criteria", refuse);
    return query === "" ? [] : [query];
  });
  const content = valuesOf(channel._payload?.extension, backportUrls.content)[0]?.valueCode ?? "empty";
  if (!payloadContents.includes(content as PayloadContent)) {
    refuse("channel.payload", `The content is one of ${payloadContents.join(", ")}.`);
  }
  const numberOf = (url: string) => {
    const [one] = valuesOf(channel.extension, url);
    return one?.valueUnsignedInt ?? one?.valuePositiveInt;
  };
  const [heartbeatSeconds, timeoutSeconds, maxCount] = (["heartbeat", "timeout", "maxCount"] as const).map((name) =>
    numberOf(backportUrls[name]),
  );
  return {
    topic,
    type: topic.type,
    queries: [...(topic.query === "" ? [] : [topic.query]), ...queries],
    content: content as PayloadContent,
    ...(heartbeatSeconds === undefined || heartbeatSeconds === 0 ? {} : { heartbeatSeconds }),
    ...(timeoutSeconds === undefined || timeoutSeconds === 0 ? {} : { timeoutSeconds }),
    ...(maxCount === undefined ? {} : { maxCount }),
  };
}

function refuseAnswering(query: string, at: string, refuse: Refuse): void {
  const name = [...new URLSearchParams(query).keys()].find((one) => answering.test(one));
  if (name !== undefined) refuse(at, `${name} says how to answer a search, and not what is meant. Leave it out.`);
}
