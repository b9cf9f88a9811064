import type { Figure } from "./figure.ts";
import type { DisclosurePolicy } from "./policy.ts";

/** A percentage as it may be shown, or why not; `nobody` is asked for no percentage. */
export type Rate =
  | { readonly kind: "shown"; readonly percent: number; readonly decimals: 0 | 1 }
  | {
      readonly kind: "hidden";
      readonly why: "count-hidden" | "denominator-too-small" | "all-or-none" | "small-remainder";
    }
  | { readonly kind: "nobody" };

/**
 * The percentage that one figure is of another. It is computed from what is shown, so it tells no more than they do.
 *
 * Rounding both to the nearest 5 moves a shown proportion p by up to (2 + 2p) / D, with D the true denominator
 * (calculated: the numerator is off by 2, the denominator by 2 the other way). At a shown 4,000 that stays within 0.1
 * percentage points, at 3,995 it does not, which is where NHS Digital's limit for one decimal comes from; by the same
 * reckoning a whole percentage is within one point from 400.
 *
 * Hidden besides: 0 % and 100 % of a small group, which say of each of its members what they are or are not; and a
 * percentage that leaves a remainder which is itself a small count, known too well.
 */
export function percentage(numerator: Figure, denominator: Figure, policy: DisclosurePolicy): Rate {
  if (numerator.kind === "hidden" || denominator.kind === "hidden") return { kind: "hidden", why: "count-hidden" };
  if (denominator.value === 0) return { kind: "nobody" };
  const { oneDecimalFrom, wholeFrom, extremesFrom } = policy.percentage;
  const isExtreme = numerator.value === 0 || numerator.value === denominator.value;
  if (isExtreme && denominator.value < extremesFrom) return { kind: "hidden", why: "all-or-none" };
  const mostLeft = denominator.greatest - numerator.least;
  const leastLeft = Math.max(0, denominator.least - numerator.greatest);
  const isKnown = mostLeft - leastLeft < policy.minimumWidth.figures;
  if (mostLeft >= 1 && mostLeft <= policy.small.greatest && isKnown) return { kind: "hidden", why: "small-remainder" };
  if (denominator.value < wholeFrom) return { kind: "hidden", why: "denominator-too-small" };
  const decimals = denominator.value >= oneDecimalFrom ? 1 : 0;
  const steps = 10 ** decimals;
  return { kind: "shown", percent: Math.round((100 * steps * numerator.value) / denominator.value) / steps, decimals };
}

/**
 * Whether a mean, median or other statistic of these contributors may be shown: when their number may. HES hides those
 * of 1 to 7; here also those whose number is hidden for others' sake. Of no contributors there is nothing to show.
 */
export function showsStatistic(contributors: Figure): boolean {
  return contributors.kind === "shown" && contributors.value > 0;
}
