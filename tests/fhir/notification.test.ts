import type { Bundle, Parameters } from "@medplum/fhirtypes";
import { describe, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { notificationText, type ToldEvent } from "../../src/fhir/notification.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";
import type { PayloadContent } from "../../src/fhir/subscription.ts";

const definitions = createDefinitions({ types: "all" });
const base = "https://gate.test/fhir";
const status = {
  subscriptionId: "board",
  topicUrl: "https://tidegate.example/fhir/SubscriptionTopic/task-changed",
  state: "active",
  events: 3,
} as const;
const body =
  '{"resourceType":"Task","id":"a","status":"requested","intent":"order","input":[{"type":{"text":"x"},"valueDecimal":1.50}]}';
const events: ToldEvent[] = [
  { number: 2, atMs: 0, action: "create", focus: "Task/a", body },
  { number: 3, atMs: 1_000, action: "update", focus: "Task/a", body },
];
const told = (content: PayloadContent, some = events) =>
  notificationText(base, status, "event-notification", {
    id: "292d3c72-edc1-4d8a-afaa-d85e19c7f563",
    nowMs: 0,
    content,
    events: some,
  });
const bundleOf = (text: string) => JSON.parse(text) as Bundle;
const parametersOf = (text: string) => (bundleOf(text).entry?.[0]?.resource as Parameters | undefined)?.parameter ?? [];

describe("a notification (Subscriptions R5 Backport 1.1.0, R4)", () => {
  // bdl-3 and bdl-4 of https://hl7.org/fhir/R4/bundle.html are among the invariants that are checked.
  test.each(["empty", "id-only", "full-resource"] as const)("with content %s is a valid Bundle of R4", (content) => {
    expect(checkResource(definitions, bundleOf(told(content)), "Bundle")).toEqual([]);
    expect(bundleOf(told(content)).type).toBe("history");
    for (const entry of bundleOf(told(content)).entry ?? []) {
      expect(entry.request).toBeDefined();
      expect(entry.response).toBeDefined();
    }
  });

  test("an entry without its request would be caught by the same check", () => {
    const bundle = bundleOf(told("id-only"));
    delete bundle.entry?.[0]?.request;
    expect(
      checkResource(definitions, bundle, "Bundle")
        .map(({ detail }) => detail)
        .join(),
    ).toContain("bdl-3");
  });

  test("begins with the status: subscription, topic, status, type, how many events there were, and each event", () => {
    const parameters = parametersOf(told("id-only"));
    expect(parameters.map(({ name }) => name)).toEqual([
      "subscription",
      "topic",
      "status",
      "type",
      "events-since-subscription-start",
      "notification-event",
      "notification-event",
    ]);
    expect(parameters[4]?.valueString).toBe("3");
    expect(parameters[5]?.part).toEqual([
      { name: "event-number", valueString: "2" },
      { name: "timestamp", valueInstant: "1970-01-01T00:00:00.000Z" },
      { name: "focus", valueReference: { reference: `${base}/Task/a` } },
    ]);
  });

  test("says no resource where it is to be empty, and its id alone where that is asked for", () => {
    expect(told("empty")).not.toContain("Task/a");
    expect(told("id-only")).toContain(`${base}/Task/a`);
    expect(told("id-only")).not.toContain("valueDecimal");
  });

  test("brings a resource once, as it is stored to the digit", () => {
    expect(bundleOf(told("full-resource")).entry).toHaveLength(2);
    expect(told("full-resource")).toContain('"valueDecimal":1.50');
  });

  test("of what may not be seen any more tells the number and nothing else", () => {
    const hidden = told("full-resource", [{ number: 4, atMs: 0, action: "update" }]);
    expect(bundleOf(hidden).entry).toHaveLength(1);
    expect(hidden).not.toContain("focus");
  });
});
