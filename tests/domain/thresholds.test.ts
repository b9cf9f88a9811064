import { expect, test } from "vitest";
import { checkDayParts } from "../../src/domain/day-part.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";

test("every threshold names where it comes from", () => {
  const named = Object.keys(defaultThresholds).filter((name) => name !== "version" && name !== "sources");
  expect(Object.keys(defaultThresholds.sources).sort()).toEqual(named.sort());
});

test("the default day parts can be used", () => {
  expect(checkDayParts(defaultThresholds.dayParts).ok).toBe(true);
});

test("every kind of part is named once and has a rule for its replacement", () => {
  const codes = defaultThresholds.partKinds.map((kind) => kind.code);
  expect(new Set(codes).size).toBe(codes.length);
  expect(defaultThresholds.partKinds.every((kind) => kind.replaceAfter !== undefined)).toBe(true);
});

test("shares lie between 0 and 1", () => {
  for (const share of [defaultThresholds.minimumCoverageShare, defaultThresholds.lowUseBelowShare]) {
    expect(share > 0 && share < 1).toBe(true);
  }
});
