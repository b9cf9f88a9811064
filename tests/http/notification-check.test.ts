import { expect, test } from "vitest";
import { isGenuine, readNotification } from "../../seed/notification-check.ts";
import { notificationText } from "../../src/fhir/notification.ts";
import { signatureHeaders } from "../../src/flows/notification-signature.ts";

const key = Buffer.alloc(32, 5);
const secret = key.toString("base64url");
const nowMs = Date.parse("2026-04-10T09:00:00Z");
const body = notificationText(
  "https://gate.test/fhir",
  {
    subscriptionId: "board",
    topicUrl: "https://tidegate.example/fhir/SubscriptionTopic/task-changed",
    state: "active",
    events: 7,
  },
  "event-notification",
  { id: "x", nowMs, content: "id-only", events: [{ number: 7, atMs: nowMs, action: "update", focus: "Task/a" }] },
);
const headers = signatureHeaders(key, body, nowMs);
const arrived = {
  timestamp: headers["x-tidegate-timestamp"] ?? "",
  signature: headers["x-tidegate-signature"] ?? "",
  body,
};

test("the receiver of the documentation believes what the service sends, and reads it", () => {
  expect(isGenuine(arrived, secret, nowMs + 1_000)).toBe(true);
  expect(readNotification(body)).toEqual({
    kind: "event-notification",
    events: [{ number: 7, focus: "https://gate.test/fhir/Task/a" }],
  });
});

test.each([
  ["another body", { ...arrived, body: body.replace("Task/a", "Task/b") }, secret, nowMs],
  ["another time", { ...arrived, timestamp: String(Number(arrived.timestamp) + 1) }, secret, nowMs],
  ["another key", arrived, Buffer.alloc(32, 6).toString("base64url"), nowMs],
  ["a signature that is cut", { ...arrived, signature: arrived.signature.slice(0, -1) }, secret, nowMs],
  ["an old notification", arrived, secret, nowMs + 301_000],
])("it does not believe %s", (_what, one, key, at) => {
  expect(isGenuine(one, key, at)).toBe(false);
});
