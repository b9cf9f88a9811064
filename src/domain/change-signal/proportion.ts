/** One sample of a proportion chart: so many of so many. */
export interface Sample {
  readonly count: number;
  readonly of: number;
}

/** The limits of one sample around the common share, kept within 0 and 1. */
export interface ProportionLimits {
  readonly centre: number;
  readonly lower: number;
  readonly upper: number;
}

/** The common share of all samples; undefined when they are of nothing. */
export function pooledShare(samples: readonly Sample[]): number | undefined {
  const of = samples.reduce((sum, sample) => sum + sample.of, 0);
  return of === 0 ? undefined : samples.reduce((sum, sample) => sum + sample.count, 0) / of;
}

/** Three-sigma limits of a p-chart for a sample of this size (NIST/SEMATECH e-Handbook 6.3.3.2). */
export function proportionLimits(centre: number, size: number): ProportionLimits {
  const half = 3 * Math.sqrt((centre * (1 - centre)) / size);
  return { centre, lower: Math.max(0, centre - half), upper: Math.min(1, centre + half) };
}
