import { describe, expect, test } from "vitest";
import { audit, isSafe, unsafeTargets } from "../../../src/domain/disclosure/audit.ts";
import { enumerationSolver } from "../../../src/domain/disclosure/enumeration.ts";
import { type DisclosurePolicy, disclosurePolicies } from "../../../src/domain/disclosure/policy.ts";
import { nameOf } from "../../../src/domain/disclosure/target.ts";
import { witnessesOf } from "../../../src/domain/disclosure/witness.ts";
import { flat, smallPolicy, tableOf } from "./example-tables.ts";
import { published, shown, star } from "./publication-examples.ts";

const solver = enumerationSolver(10_000);
const byAge = tableOf("n", [flat("age", ["a", "b"])], () => 0);
const small = { least: 1, greatest: 2 };
const above = { least: 3, greatest: 20 };

test("one hidden cell in a line is pinned by its total", () => {
  const release = published("r", [shown("n", 30), star("n;age=a", small), shown("n;age=b", 29)], [byAge]);
  const { passes, targets } = audit([release], smallPolicy, solver);
  expect(passes).toBe(false);
  const pinned = { least: 1, greatest: 1 };
  expect(targets).toEqual([
    { name: "n;age=a", kind: "cell", intervals: { figures: pinned, roles: pinned }, verdict: "pinned" },
  ]);
});

test("two hidden cells keep each other in doubt, but one who knows the roles may know more", () => {
  const release = published("r", [shown("n", 15), star("n;age=a", small), star("n;age=b", above)], [byAge]);
  const { passes, targets } = audit([release], smallPolicy, solver);
  expect(passes).toBe(true);
  expect(targets[0]?.intervals).toEqual({ figures: { least: 1, greatest: 14 }, roles: { least: 1, greatest: 2 } });
});

test("two hidden cells can be too narrow, and their sum too small", () => {
  const release = published("r", [shown("n", 2), star("n;age=a", small), star("n;age=b", small)], [byAge]);
  expect(audit([release], smallPolicy, solver).targets.map(({ name, verdict }) => [name, verdict])).toEqual([
    ["n;age=a", "pinned"],
    ["n;age=a + n;age=b", "pinned"],
    ["n;age=b", "pinned"],
  ]);
});

test("what the solver cannot say counts as unsafe", () => {
  const release = published("r", [shown("n", 15), star("n;age=a", small), star("n;age=b", above)], [byAge]);
  const { passes, targets } = audit([release], smallPolicy, enumerationSolver(0));
  expect(passes).toBe(false);
  expect(targets[0]?.verdict).toBe("unsettled");
});

test("releases that contradict each other are said to", () => {
  const releases = [published("r1", [star("a", small)]), published("r2", [shown("a", 30)])];
  expect(audit(releases, smallPolicy, solver).targets[0]?.verdict).toBe("contradictory");
});

describe("two figures of which one is part of the other", () => {
  function differenceOf(whole: number, part: number, policy: DisclosurePolicy) {
    const cells = [
      shown("a", whole - blurOf(policy), whole + blurOf(policy)),
      shown("b", part - blurOf(policy), part + blurOf(policy)),
    ];
    const release = { ...published("r", cells), nestings: [{ whole: "a", part: "b" }] };
    return audit([release], policy, solver).targets[0];
  }
  const blurOf = ({ roundTo }: DisclosurePolicy) => (roundTo === 5 ? 2 : 0);

  // The pair is calculated: 23 and 22 persons, rounded to 25 and 20, differ by 5 for a true difference of one.
  test("23 and 22 as they are give one person away", () => {
    const found = differenceOf(23, 22, disclosurePolicies["minimum-cell-11"]);
    expect(found).toMatchObject({ verdict: "pinned", intervals: { figures: { least: 1, greatest: 1 } } });
  });

  test("25 and 20 rounded leave the difference between 1 and 9", () => {
    const found = differenceOf(25, 20, disclosurePolicies.hes);
    expect(found).toMatchObject({ verdict: "safe", intervals: { figures: { least: 1, greatest: 9 } } });
  });

  test("a difference of nobody gives nobody away", () => {
    expect(differenceOf(23, 23, disclosurePolicies["minimum-cell-11"])).toMatchObject({ verdict: "safe" });
  });
});

test("the targets that are not safe are named with the intruder, as are single ones", () => {
  const release = published("r", [shown("n", 4), star("n;age=a", small), star("n;age=b", above)], [byAge]);
  const strict = { ...smallPolicy, minimumWidth: { figures: 2, roles: 1 } };
  const unsafe = unsafeTargets([release], strict, solver, witnessesOf());
  expect(unsafe.map(({ target, intruder }) => [nameOf(target), intruder])).toEqual([
    ["n;age=a", "roles"],
    ["n;age=b", "roles"],
  ]);
  const [first] = unsafe;
  if (first === undefined) throw new Error("there is one");
  expect(isSafe(first.target, "roles", [release], strict, solver, witnessesOf())).toBe(false);
  expect(isSafe(first.target, "figures", [release], strict, solver, witnessesOf())).toBe(true);
});
