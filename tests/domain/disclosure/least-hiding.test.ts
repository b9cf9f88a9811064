import fc from "fast-check";
import { expect, test } from "vitest";
import { type Candidate, leastHiding, type Need } from "../../../src/domain/disclosure/least-hiding.ts";

const candidates: Candidate[] = [
  { key: "a", persons: 30 },
  { key: "b", persons: 10 },
  { key: "c", persons: 10 },
  { key: "d", persons: 15 },
];

test("nothing is hidden where nothing is needed", () => {
  expect(leastHiding(candidates, [], 100)).toMatchObject({ hidden: [], persons: 0 });
});

test("one cell for two needs, where it is cheaper than one for each", () => {
  const needs = [{ oneOf: ["b", "d"] }, { oneOf: ["c", "d"] }];
  expect(leastHiding(candidates, needs, 100)).toMatchObject({ hidden: ["d"], persons: 15 });
});

test("between equals the first key is hidden", () => {
  expect(leastHiding(candidates, [{ oneOf: ["c", "b"] }], 100)).toMatchObject({ hidden: ["b"], persons: 10 });
});

test("a cell that needs company costs that too", () => {
  const needs: Need[] = [{ oneOf: ["b", "d"] }, { when: "b", oneOf: ["a"] }];
  expect(leastHiding(candidates, needs, 100)).toMatchObject({ hidden: ["d"], persons: 15 });
});

test("needs that nothing meets have no choice, and too many branches are given up", () => {
  expect(leastHiding(candidates, [{ oneOf: [] }], 100)).toBeUndefined();
  expect(leastHiding(candidates, [{ oneOf: ["a"] }, { when: "a", oneOf: [] }], 100)).toBeUndefined();
  expect(leastHiding(candidates, [{ oneOf: ["a", "b"] }], 1)).toBe("given-up");
});

test("a choice that is found before all branches are looked at is not proven", () => {
  const needs = [{ oneOf: ["b", "d"] }, { oneOf: ["c", "d"] }];
  expect(leastHiding(candidates, needs, 3)).toMatchObject({ hidden: ["b", "c"], persons: 20, proven: false });
  expect(leastHiding(candidates, needs, 100)).toMatchObject({ hidden: ["d"], persons: 15, proven: true });
});

test("the choice is the first of all that meet the needs, by persons, cells and keys", () => {
  const keys = ["a", "b", "c", "d", "e"];
  const oneOf = fc.uniqueArray(fc.constantFrom(...keys), { minLength: 1, maxLength: 3 });
  const need = fc.record({ when: fc.option(fc.constantFrom(...keys)), oneOf }).map(({ when, ...rest }): Need => {
    return when === null ? rest : { ...rest, when };
  });
  const persons = fc.array(fc.integer({ min: 1, max: 4 }), { minLength: 5, maxLength: 5 });
  fc.assert(
    fc.property(persons, fc.array(need, { maxLength: 5 }), (costs, needs) => {
      const priced = keys.map((key, i) => ({ key, persons: costs[i] ?? 0 }));
      const all = Array.from({ length: 32 }, (_, bits) => priced.filter((__, i) => bits & (1 << i)))
        .map((some) => ({
          hidden: some.map(({ key }) => key),
          persons: some.reduce((sum, one) => sum + one.persons, 0),
        }))
        .filter(({ hidden }) =>
          needs.every(
            (one) =>
              (one.when !== undefined && !hidden.includes(one.when)) || one.oneOf.some((key) => hidden.includes(key)),
          ),
        )
        .sort(
          (a, b) =>
            a.persons - b.persons ||
            a.hidden.length - b.hidden.length ||
            (a.hidden.join("\n") < b.hidden.join("\n") ? -1 : 1),
        );
      const choice = leastHiding(priced, needs, 10_000);
      if (choice === "given-up") throw new Error("few enough");
      expect(choice && [choice.persons, choice.hidden]).toEqual(all[0] && [all[0].persons, all[0].hidden]);
    }),
  );
});
