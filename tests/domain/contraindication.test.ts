import { expect, test } from "vitest";
import { type Contraindication, isInForce, overrideOf } from "../../src/domain/contraindication.ts";
import { examplePlan } from "./example-picture.ts";

const flag: Contraindication = {
  flagId: "flag-1",
  code: "pneumothorax",
  title: "Pneumothorax",
  class: "absolute",
  active: true,
  startMs: 1000,
  endMs: 2000,
};

test.each([
  [999, false],
  [1000, true],
  [1999, true],
  [2000, false],
])("a flag from 1000 to 2000 at %i: in force %s", (atMs, expected) => {
  expect(isInForce(flag, atMs)).toBe(expected);
});

test("a flag without end lasts, and one stated inactive never is in force", () => {
  const { endMs: _, ...open } = flag;
  expect(isInForce(open, 1e15)).toBe(true);
  expect(isInForce({ ...open, active: false }, 1500)).toBe(false);
});

test("an override covers the very flag that it names, with a reason that says something", () => {
  const flag = { flagId: "flag-1", code: "c", title: "t", class: "relative", active: true, startMs: 0 } as const;
  const plan = (flagId: string, reason: string) => examplePlan({ overrides: [{ flagId, reason }] });
  expect(overrideOf(flag, plan("flag-1", "Known for years."))?.reason).toBe("Known for years.");
  expect(overrideOf(flag, plan("flag-2", "Known for years."))).toBeUndefined();
  expect(overrideOf(flag, plan("flag-1", "  "))).toBeUndefined();
  expect(overrideOf(flag, examplePlan())).toBeUndefined();
});
