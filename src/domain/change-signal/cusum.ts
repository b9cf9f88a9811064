/** The tabular CUSUM after one value: how far above, and how far below, values have run beyond the slack. */
export interface CusumPoint {
  readonly high: number;
  readonly low: number;
}

/**
 * The two one-sided sums, both 0 at first and never below 0; `slack` is in the unit of the values. A signal is a sum above
 * the decision interval (NIST/SEMATECH e-Handbook 6.3.2.3; Montgomery, Introduction to Statistical Quality Control).
 */
export function cusumPoints(values: readonly number[], target: number, slack: number): CusumPoint[] {
  let [high, low] = [0, 0];
  return values.map((value) => {
    high = Math.max(0, high + value - target - slack);
    low = Math.max(0, low + target - slack - value);
    return { high, low };
  });
}
