import { fingerprint } from "../../src/domain/fingerprint.ts";

/** Whole numbers that look irregular and are the same on every run. */
export type Variation = (lowest: number, highest: number) => number;

/**
 * A small generator seeded by a text: a linear congruential one modulo 2^32 with the multiplier and increment that
 * "Numerical Recipes" gives (1664525 and 1013904223, from memory). Only the upper bits are used; the lower ones repeat soon.
 */
export function variationOf(seed: string): Variation {
  let state = Number.parseInt(fingerprint(seed).slice(0, 8), 16);
  return (lowest, highest) => {
    state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
    return lowest + Math.floor(((state >>> 8) / 0x1_00_00_00) * (highest - lowest + 1));
  };
}
