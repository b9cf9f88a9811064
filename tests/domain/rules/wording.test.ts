import { expect, test } from "vitest";
import { counted, dayInWords, intervalInWords, percent, plainNumber } from "../../../src/domain/rules/wording.ts";

test("a day reads as in a letter", () => {
  expect(dayInWords("2026-03-05")).toBe("5 March 2026");
  expect(dayInWords("2025-12-31")).toBe("31 December 2025");
});

test("one is singular, none and many are plural", () => {
  expect([0, 1, 2].map((count) => counted(count, "session"))).toEqual(["0 sessions", "1 session", "2 sessions"]);
  expect([{ months: 1 }, { days: 14 }].map(intervalInWords)).toEqual(["1 month", "14 days"]);
});

test("a share just under a threshold never reads as having met it", () => {
  expect(percent(0.4999)).toBe("49 %");
  expect(percent(0.5)).toBe("50 %");
  expect(percent(0.29)).toBe("29 %");
});

test("a number keeps two decimals at most", () => {
  expect([1.6, 40, -42.456, 0.30000000000000004].map(plainNumber)).toEqual(["1.6", "40", "-42.46", "0.3"]);
});
