import { expect, test } from "vitest";
import { type Contraindication, isInForce } from "../../src/domain/contraindication.ts";

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
