import { randomBytes } from "node:crypto";
import type { Subscription } from "@medplum/fhirtypes";
import { accepted, type Result, refused } from "../domain/result.ts";
import { notificationText, type SubscriptionStatus, statusParameters, type ToldEvent } from "../fhir/notification.ts";
import type { ParameterRules, ParameterValues } from "../fhir/parameters.ts";
import { type PayloadContent, payloadContents, readSubscription } from "../fhir/subscription.ts";
import { inTenant, readInTenant } from "../store/database.ts";
import { readMany, referenceOf, type StoredResource } from "../store/resource.ts";
import {
  eventsOf,
  findSubscription,
  type SubscriptionState,
  setSecret,
  subscriptionIds,
} from "../store/subscription.ts";
import { seenNow } from "./match-events.ts";
import type { Service } from "./service.ts";

/** Parameters of `$status` (https://hl7.org/fhir/uv/subscriptions-backport/STU1.1/OperationDefinition-backport-subscription-status.html). */
export const statusRules = {
  id: { type: "string", repeats: true },
  status: { type: "code", repeats: true },
} as const satisfies ParameterRules;

/** Parameters of `$events` (https://hl7.org/fhir/uv/subscriptions-backport/STU1.1/OperationDefinition-backport-subscription-events.html). */
export const eventsRules = {
  eventsSinceNumber: { type: "string" },
  eventsUntilNumber: { type: "string" },
  content: { type: "code" },
} as const satisfies ParameterRules;

/** Events of one answer, and Subscriptions of one. */
const [mostEvents, mostSubscriptions] = [100, 200];

interface Found {
  readonly status: SubscriptionStatus;
  readonly content: PayloadContent;
}

/** Statuses as a searchset: of those Subscriptions that the reader sees and asks for; of all of them where it names none. */
export async function subscriptionStatuses(
  service: Service,
  tenantId: number,
  base: string,
  values: ParameterValues<typeof statusRules>,
): Promise<string> {
  const ids = values.id.length > 0 ? values.id.flatMap((one) => one.split(",")).slice(0, mostSubscriptions) : undefined;
  const found = await find(service, tenantId, ids);
  const wanted = found.filter(({ status }) => values.status.length === 0 || values.status.includes(status.state));
  const entry = wanted.map(({ status }) => ({
    fullUrl: `urn:uuid:${service.newId()}`,
    resource: statusParameters(base, status, "query-status"),
    search: { mode: "match" },
  }));
  return JSON.stringify({ resourceType: "Bundle", type: "searchset", total: entry.length, entry });
}

/** The events of one Subscription again, as a notification that answers a question; what was forgotten is left out. */
export async function subscriptionEvents(
  service: Service,
  tenantId: number,
  base: string,
  subscriptionId: string,
  values: ParameterValues<typeof eventsRules>,
): Promise<Result<string>> {
  const [found] = await find(service, tenantId, [subscriptionId]);
  if (found === undefined) return refused(notFound(subscriptionId));
  const { eventsSinceNumber: since = "1", eventsUntilNumber: until = String(found.status.events) } = values;
  const bad = [since, until].find((text) => !/^\d{1,15}$/.test(text));
  if (bad !== undefined) {
    const detail = `"${bad.slice(0, 40)}" is no event number. Send a whole number such as 1.`;
    return refused({ kind: "value", detail, status: 400 });
  }
  const content = (values.content ?? found.content) as PayloadContent;
  if (!payloadContents.includes(content)) {
    const detail = `The content is one of ${payloadContents.join(", ")}.`;
    return refused({ kind: "value", detail, at: "content", status: 400 });
  }
  const events = await readInTenant(service.database, tenantId, (session) =>
    eventsOf(session, subscriptionId, { from: Number(since), to: Number(until), most: mostEvents }),
  );
  const bodies = await seenNow(service, tenantId, events);
  const told = events.map((event): ToldEvent => {
    const body = bodies.get(referenceOf(event));
    return { ...event, ...(body === undefined ? {} : { focus: referenceOf(event), body }) };
  });
  const options = { id: service.newId(), nowMs: service.now(), content, events: told };
  return accepted(notificationText(base, found.status, "query-event", options));
}

/** Makes a new key for the signatures of a client's own Subscription, and answers it: it is shown once and never again. */
export async function newSecret(
  service: Service,
  tenantId: number,
  clientId: string,
  subscriptionId: string,
): Promise<Result<string>> {
  const secret = randomBytes(32);
  const isSet = await inTenant(service.database, tenantId, (session) =>
    setSecret(session, { subscriptionId, clientId, secret }),
  );
  return isSet ? accepted(secret.toString("base64url")) : refused(notFound(subscriptionId));
}

function notFound(id: string) {
  const detail = `There is no Subscription/${id.slice(0, 64)} here that the token may ask about.`;
  return { kind: "not-found", detail, status: 404 } as const;
}

/** What the reader sees of Subscriptions, beside how far they are. */
async function find(service: Service, tenantId: number, ids: readonly string[] | undefined): Promise<Found[]> {
  return readInTenant(service.database, tenantId, async (session) => {
    const wanted = ids ?? (await subscriptionIds(session, mostSubscriptions));
    const seen = await readMany(
      session,
      wanted.filter((id) => /^[A-Za-z0-9.-]{1,64}$/.test(id)).map((id) => `Subscription/${id}`),
    );
    return Promise.all(seen.map(async (one) => foundOf(one, await findSubscription(session, one.id))));
  });
}

function foundOf({ id, body }: StoredResource, state: SubscriptionState | undefined): Found {
  const subscription = JSON.parse(body) as Subscription;
  const asked = readSubscription(subscription);
  const { topic, content = "id-only" } = asked.ok ? asked.value : {};
  return {
    status: {
      subscriptionId: id,
      ...(topic === undefined ? {} : { topicUrl: topic.url }),
      state: state?.state ?? "off",
      events: state?.events ?? 0,
      ...(state?.problem === undefined ? {} : { problem: state.problem }),
    },
    content,
  };
}
