import fc from "fast-check";
import { expect, test } from "vitest";
import { smallestCause } from "../../../src/domain/disclosure/smallest-cause.ts";

test("where nothing is bad enough already, the cause is empty", () => {
  expect(smallestCause([1, 2, 3], () => true)).toEqual([]);
});

test("a cause is found among many, in few questions", () => {
  let asked = 0;
  const cause = smallestCause(
    Array.from({ length: 1000 }, (_, i) => i),
    (part) => {
      asked += 1;
      return part.includes(17) && part.includes(804);
    },
  );
  expect([...cause].sort((a, b) => a - b)).toEqual([17, 804]);
  expect(asked).toBeLessThan(60);
});

test("a cause is bad, and no longer when any of it is left out", () => {
  const items = [0, 1, 2, 3, 4, 5, 6, 7];
  const sets = fc.array(fc.uniqueArray(fc.constantFrom(...items), { minLength: 1, maxLength: 4 }), { minLength: 1 });
  fc.assert(
    fc.property(sets, (causes) => {
      const bad = (part: readonly number[]) => causes.some((cause) => cause.every((item) => part.includes(item)));
      const cause = smallestCause(items, bad);
      expect(bad(cause)).toBe(true);
      for (const item of cause) expect(bad(cause.filter((other) => other !== item))).toBe(false);
    }),
  );
});
