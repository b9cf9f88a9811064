import type { Subscription } from "@medplum/fhirtypes";
import { describe, expect, test } from "vitest";
import { backportUrls, readSubscription } from "../../src/fhir/subscription.ts";
import { subscription } from "../support/subscribing.ts";

const endpoint = "https://hooks.example.org/in";
const read = (one: unknown) => readSubscription(one as Subscription);
const refusedAt = (one: unknown) => {
  const answer = read(one);
  return answer.ok ? [] : answer.refusals.map(({ at }) => at);
};

describe("by the guide (Subscriptions R5 Backport 1.1.0)", () => {
  test("topic, filters, content, heartbeat, timeout and most events are read where the guide puts them", () => {
    const extension = [
      { url: backportUrls.heartbeat, valueUnsignedInt: 60 },
      { url: backportUrls.timeout, valueUnsignedInt: 5 },
      { url: backportUrls.maxCount, valuePositiveInt: 20 },
    ];
    const filters = ["Task?status=requested", "patient=Patient/anna"];
    expect(
      read(subscription("a", endpoint, { filters, content: "full-resource", channel: { extension } })),
    ).toMatchObject({
      ok: true,
      value: {
        topic: { code: "task-changed" },
        type: "Task",
        queries: ["status=requested", "patient=Patient/anna"],
        content: "full-resource",
        heartbeatSeconds: 60,
        timeoutSeconds: 5,
        maxCount: 20,
      },
    });
  });

  test.each([
    ["a topic that is not ours", { topic: "weather" }, "Subscription.criteria"],
    ["a filter of another type", { filters: ["Patient?name=a"] }, "Subscription.criteria"],
    ["a filter that says how to answer", { filters: ["Task?_sort=_id"] }, "Subscription.criteria"],
    ["a content of its own", { content: "everything" as never }, "Subscription.channel.payload"],
    ["another channel", { channel: { type: "email" } }, "Subscription.channel.type"],
    ["XML", { channel: { payload: "application/fhir+xml" } }, "Subscription.channel.payload"],
  ])("%s is refused where it stands", (_what, more, at) => {
    expect(refusedAt(subscription("a", endpoint, more))).toEqual([at]);
  });
});

describe("as R4 has it", () => {
  const plain = (criteria: string, payload?: string) => ({
    resourceType: "Subscription",
    status: "requested",
    reason: "A test",
    criteria,
    channel: { type: "rest-hook", endpoint, ...(payload === undefined ? {} : { payload }) },
  });

  test("criteria are a search; without a payload nothing is told but that there is something", () => {
    expect(read(plain("Task?status=requested"))).toMatchObject({
      ok: true,
      value: { type: "Task", queries: ["status=requested"], content: "empty" },
    });
    expect(read(plain("Observation", "application/fhir+json"))).toMatchObject({
      ok: true,
      value: { type: "Observation", queries: [], content: "full-resource" },
    });
  });

  test.each(["status=requested", "Task?a=b?c=d", "", "Task?_include=Task:patient"])("%j is refused", (criteria) => {
    expect(refusedAt(plain(criteria))).toEqual(["Subscription.criteria"]);
  });
});
