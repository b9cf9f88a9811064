/** An exponentially weighted moving average chart around a known centre. */
export interface EwmaSettings {
  readonly centre: number;
  readonly sigma: number;
  /** Weight of the newest value, above 0 up to 1. */
  readonly lambda: number;
  /** Width of the limits in standard deviations of the statistic. */
  readonly width: number;
}

/** The statistic after one value, with its limits at that time. */
export interface EwmaPoint {
  readonly statistic: number;
  readonly lower: number;
  readonly upper: number;
}

/**
 * The chart's points, one for each value: z = λx + (1 - λ)z, begun at the centre, with limits that widen with time to
 * their steady state (Roberts 1959 as given in NIST/SEMATECH e-Handbook 6.3.2.4 and Montgomery, Introduction to
 * Statistical Quality Control).
 */
export function ewmaPoints(values: readonly number[], settings: EwmaSettings): EwmaPoint[] {
  let statistic = settings.centre;
  return values.map((value, i) => {
    statistic = settings.lambda * value + (1 - settings.lambda) * statistic;
    return { statistic, ...ewmaLimits(i + 1, settings) };
  });
}

/** The limits after so many values; `Infinity` gives the steady state. */
export function ewmaLimits(count: number, settings: EwmaSettings): { readonly lower: number; readonly upper: number } {
  const { centre, sigma, lambda, width } = settings;
  const half = width * sigma * Math.sqrt((lambda / (2 - lambda)) * (1 - (1 - lambda) ** (2 * count)));
  return { lower: centre - half, upper: centre + half };
}
