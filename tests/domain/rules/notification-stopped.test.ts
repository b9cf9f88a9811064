import { expect, test } from "vitest";
import { notificationStoppedFinding } from "../../../src/domain/rules/notification-stopped.ts";

test("it tells which Subscription, since when, why, and how much waits", () => {
  const finding = notificationStoppedFinding({
    subscriptionId: "ward-board",
    failures: 12,
    waiting: 3,
    sinceDay: "2026-03-12",
    problem: "The endpoint answered with 500.",
  });
  expect(finding).toMatchObject({
    rule: "notification-stopped",
    subject: "subscription:ward-board",
    severity: "review",
    safety: false,
    text: "Subscription ward-board is told nothing since 12 March 2026: The endpoint answered with 500. 3 events waited then.",
    focus: "Subscription/ward-board",
  });
  expect(finding.evidence.map(({ value }) => value)).toEqual([12, 3]);
});
