/** Centre and spread of an individuals chart (XmR), taken from a baseline. */
export interface IndividualsLimits {
  readonly centre: number;
  /** Mean of the ranges between neighbours. */
  readonly meanMovingRange: number;
  /** One standard deviation as the chart estimates it: a third of the distance from the centre to a limit. */
  readonly sigma: number;
  readonly lower: number;
  readonly upper: number;
}

/**
 * How many mean moving ranges a limit lies from the centre: `exact` is 3 / 1.128 (NIST/SEMATECH e-Handbook 6.3.2.2);
 * `rounded` is the 2.66 of NHS charts (as in the R package NHSRplotthedots 0.2.2).
 */
export const movingRangeFactors = { exact: 3 / 1.128, rounded: 2.66 } as const;

/** Limits of a baseline of at least two values; throws a RangeError for fewer, because one value has no spread. */
export function individualsLimits(baseline: readonly number[], factor: number): IndividualsLimits {
  if (baseline.length < 2) throw new RangeError("An individuals chart needs at least two values.");
  const centre = baseline.reduce((sum, value) => sum + value, 0) / baseline.length;
  const ranges = baseline.slice(1).map((value, i) => Math.abs(value - (baseline[i] ?? value)));
  const meanMovingRange = ranges.reduce((sum, range) => sum + range, 0) / ranges.length;
  const width = factor * meanMovingRange;
  return { centre, meanMovingRange, sigma: width / 3, lower: centre - width, upper: centre + width };
}
