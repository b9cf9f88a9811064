import { accepted, type Result, refused } from "../result.ts";

/** What one release has spent, in thousandths of epsilon: whole numbers, so that sums are exact. */
export interface Spending {
  readonly release: string;
  readonly thousandths: number;
}

/** How much may be learnt of one person from all releases together, and what is spent of it. */
export interface PrivacyBudget {
  readonly thousandths: number;
  readonly spent: readonly Spending[];
}

/** What is left. Epsilons of releases about the same persons add up (sequential composition). */
export function leftOf({ thousandths, spent }: PrivacyBudget): number {
  return thousandths - spent.reduce((sum, one) => sum + one.thousandths, 0);
}

/**
 * The budget after this release. A release that is already paid for costs nothing again, since its noise is fixed;
 * asking for it with another epsilon is refused as `conflict`, spending more than is left as `business-rule`.
 */
export function spend(budget: PrivacyBudget, spending: Spending): Result<PrivacyBudget> {
  if (!Number.isSafeInteger(spending.thousandths) || spending.thousandths <= 0)
    return refused({ kind: "value", detail: "Epsilon must be a whole number of thousandths above 0." });
  const before = budget.spent.find(({ release }) => release === spending.release);
  if (before !== undefined && before.thousandths !== spending.thousandths)
    return refused({ kind: "conflict", detail: `${spending.release} was released with another epsilon.` });
  if (before !== undefined) return accepted(budget);
  const left = leftOf(budget);
  if (spending.thousandths > left) {
    const detail = `${left} thousandths of the privacy budget are left: publish less, or with a smaller epsilon.`;
    return refused({ kind: "business-rule", detail });
  }
  return accepted({ ...budget, spent: [...budget.spent, spending] });
}
