import { scopeText } from "../../src/fhir/scopes.ts";
import { backportUrls, type PayloadContent } from "../../src/fhir/subscription.ts";
import { deliverNotifications } from "../../src/flows/deliver-notifications.ts";
import { configuredGrant } from "../../src/flows/grant.ts";
import { defaultNotificationSettings, type Notifications } from "../../src/flows/notification-settings.ts";
import type { Service } from "../../src/flows/service.ts";
import { wayOut } from "../../src/notify/send-notification.ts";
import type { TestService } from "./service.ts";

const settings = {
  ...defaultNotificationSettings,
  base: "https://gate.test/fhir",
  loopback: true,
  timeoutMs: 400,
  mostFailures: 3,
};

/** Settings under which an endpoint of this machine may be told. */
export const localSettings: Notifications = { ...settings, ...wayOut(settings) };

/** The service as the bearer of a configured token writes to it. */
export function withSettings(service: Service, settings: Notifications = localSettings): Service {
  const scopes = configuredGrant.scopes.map(scopeText).join(" ");
  return { ...service, notifications: settings, writer: { clientId: configuredGrant.clientId, scopes } };
}

/** A Subscription by the guide. */
export function subscription(
  id: string,
  endpoint: string,
  more: {
    topic?: string;
    content?: PayloadContent;
    filters?: string[];
    status?: string;
    channel?: object;
    maxCount?: number;
  } = {},
) {
  const {
    topic = "task-changed",
    content = "id-only",
    filters = [],
    status = "requested",
    channel = {},
    maxCount,
  } = more;
  const extension = maxCount === undefined ? [] : [{ url: backportUrls.maxCount, valuePositiveInt: maxCount }];
  return {
    resourceType: "Subscription",
    id,
    meta: { profile: [backportUrls.subscription] },
    status,
    reason: "A test",
    criteria: `https://tidegate.example/fhir/SubscriptionTopic/${topic}`,
    ...(filters.length === 0
      ? {}
      : { _criteria: { extension: filters.map((valueString) => ({ url: backportUrls.filter, valueString })) } }),
    channel: {
      ...(extension.length === 0 ? {} : { extension }),
      type: "rest-hook",
      endpoint,
      payload: "application/fhir+json",
      _payload: { extension: [{ url: backportUrls.content, valueCode: content }] },
      ...channel,
    },
  };
}

/** A Task that needs nothing else. */
export function task(id: string, more: object = {}) {
  return { resourceType: "Task", id, status: "requested", intent: "order", ...more };
}

/** Runs the delivery of a Subscription as its job would. */
export async function deliver(test: Pick<TestService, "service" | "tenantId">, id: string): Promise<void> {
  const { service, tenantId } = test;
  await deliverNotifications(service, tenantId, id);
}

/** The numbers of the events of a notification. */
export function eventNumbers(body: string): number[] {
  const bundle = JSON.parse(body);
  return bundle.entry[0].resource.parameter
    .filter((one: { name: string }) => one.name === "notification-event")
    .map((one: { part: { name: string; valueString?: string }[] }) =>
      Number(one.part.find(({ name }) => name === "event-number")?.valueString),
    );
}

/** The kind of a notification. */
export function kindOf(body: string): string {
  return JSON.parse(body).entry[0].resource.parameter.find((one: { name: string }) => one.name === "type").valueCode;
}
