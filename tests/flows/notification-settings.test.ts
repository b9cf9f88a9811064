import { expect, test } from "vitest";
import { defaultNotificationSettings, restMs } from "../../src/flows/notification-settings.ts";

const settings = { firstRestMs: 2_000, longestRestMs: 60_000 };

test("the rest doubles with each failure, up to the longest", () => {
  expect([1, 2, 3, 5, 6, 100].map((failures) => restMs(settings, failures, 1))).toEqual([
    2_000, 4_000, 8_000, 32_000, 60_000, 60_000,
  ]);
});

test("unless configured otherwise the tries go on for more than an hour, whatever chance takes", () => {
  const { mostFailures } = defaultNotificationSettings;
  const rests = Array.from({ length: mostFailures - 1 }, (_, i) => restMs(defaultNotificationSettings, i + 1, 0));
  expect(rests.reduce((sum, one) => sum + one, 0)).toBeGreaterThan(3_600_000);
});

test("chance takes away at most half of it", () => {
  expect(restMs(settings, 3, 0)).toBe(4_000);
  expect(restMs(settings, 3, 0.5)).toBe(6_000);
});
