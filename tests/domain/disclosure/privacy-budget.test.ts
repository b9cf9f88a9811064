import { expect, test } from "vitest";
import { leftOf, type PrivacyBudget, spend } from "../../../src/domain/disclosure/privacy-budget.ts";

const year: PrivacyBudget = { thousandths: 1000, spent: [] };

function after(budget: PrivacyBudget, release: string, thousandths: number): PrivacyBudget {
  const result = spend(budget, { release, thousandths });
  if (!result.ok) throw new Error(result.refusals[0]?.detail);
  return result.value;
}

function kindOf(budget: PrivacyBudget, release: string, thousandths: number): string | undefined {
  const result = spend(budget, { release, thousandths });
  return result.ok ? undefined : result.refusals[0]?.kind;
}

test("the epsilons of releases add up, exactly", () => {
  const spent = ["q1", "q2", "q3"].reduce((budget, release) => after(budget, release, 100), year);
  expect(leftOf(spent)).toBe(700);
});

test("all of it can be spent, and no more", () => {
  const nearly = after(year, "q1", 900);
  expect(leftOf(after(nearly, "q2", 100))).toBe(0);
  expect(kindOf(nearly, "q2", 101)).toBe("business-rule");
});

test("a release that is paid for costs nothing again, but keeps its epsilon", () => {
  const once = after(year, "q1", 900);
  expect(after(once, "q1", 900)).toEqual(once);
  expect(kindOf(once, "q1", 50)).toBe("conflict");
});

test.each([0, -100, 0.5, Number.NaN])("an epsilon of %d thousandths is refused", (thousandths) => {
  expect(kindOf(year, "q1", thousandths)).toBe("value");
});
