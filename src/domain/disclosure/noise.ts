import { type CellKey, type Dimension, type Member, membersOf, type Table } from "./table.ts";

/** A stream of numbers from 0 up to but not including 1, unpredictable to anybody without its key. */
export type Uniform = () => number;

/** The stream for one label, always the same: derive it from a secret key and the label, for instance by HMAC. */
export type NoiseSource = (label: string) => Uniform;

/**
 * Scale b of Laplace noise that hides one person: `sensitivity` (by how much one person can change the figures
 * together) over epsilon. Source of the formulas: PSI Library and OpenDP, accuracy of the Laplace mechanism.
 */
export function laplaceScale(sensitivity: number, epsilon: number): number {
  return sensitivity / epsilon;
}

/** The noise exceeds this with probability `alpha`: b ln(1 / alpha). */
export function laplaceHalfWidth(scale: number, alpha: number): number {
  return scale * Math.log(1 / alpha);
}

/** How likely the noise is at least `size` either way. */
export function laplaceTail(scale: number, size: number): number {
  return Math.exp(-size / scale);
}

/**
 * Laplace noise. For figures that are not counts; digits of floating-point noise can give away what it hides (Mironov,
 * "On significance of the least significant bits for differential privacy", 2012), so round what you publish, coarsely.
 */
export function laplaceNoise(uniform: Uniform, scale: number): number {
  // The difference of two exponential waiting times, as the geometric noise below is of two counts.
  return scale * (Math.log(1 - uniform()) - Math.log(1 - uniform()));
}

/** Ratio alpha of two-sided geometric noise for whole counts: e to the power of -epsilon / sensitivity. */
export function geometricRatio(sensitivity: number, epsilon: number): number {
  return Math.exp(-epsilon / sensitivity);
}

/** How likely the noise is exactly `size`: (1 - alpha) / (1 + alpha) times alpha to the power of |size|. */
export function geometricProbability(ratio: number, size: number): number {
  return ((1 - ratio) / (1 + ratio)) * ratio ** Math.abs(size);
}

/** Variance of two-sided geometric noise, 2 alpha / (1 - alpha)^2. */
export function geometricVariance(ratio: number): number {
  return (2 * ratio) / (1 - ratio) ** 2;
}

/** Two-sided geometric noise, a whole number: what counts need, without fractions to give anything away. */
export function geometricNoise(uniform: Uniform, ratio: number): number {
  const failures = () => Math.floor(Math.log(1 - uniform()) / Math.log(ratio));
  return failures() - failures();
}

/**
 * A count with noise. The noise belongs to the release and the cell: asking again gives the same figure, so that it
 * cannot be averaged away. Less than nobody is shown as nobody, which spends no privacy and lifts the mean of small counts.
 */
export function noisyCount(
  persons: number,
  release: string,
  key: CellKey,
  noise: { readonly source: NoiseSource; readonly epsilon: number; readonly sensitivity: number },
): number {
  const uniform = noise.source(JSON.stringify([release, key]));
  return Math.max(0, persons + geometricNoise(uniform, geometricRatio(noise.sensitivity, noise.epsilon)));
}

/**
 * In how many cells of these tables one person can be counted: the sensitivity of the release as a whole. A person is
 * in one leaf of a disjoint dimension and all above it, but may be in every member of an overlapping one.
 */
export function mostCellsOfOnePerson(tables: readonly Table[]): number {
  return tables.reduce(
    (sum, { dimensions }) => sum + dimensions.reduce((cells, one) => cells * mostMembers(one), 1),
    0,
  );
}

function mostMembers({ whole, parts }: Dimension): number {
  return parts === "overlapping" ? membersOf(whole).length : depthOf(whole);
}

function depthOf({ parts = [] }: Member): number {
  return 1 + parts.reduce((deepest, part) => Math.max(deepest, depthOf(part)), 0);
}

/** Counts persons, not what they did: each person once in a cell, however many records say so. */
export function personsIn(
  records: readonly { readonly person: string; readonly key: CellKey }[],
): Map<CellKey, number> {
  const persons = new Map<CellKey, Set<string>>();
  for (const { person, key } of records) persons.set(key, (persons.get(key) ?? new Set()).add(person));
  return new Map([...persons].map(([key, one]) => [key, one.size]));
}
