import type { DayState } from "../day-state.ts";
import type { LocalDay } from "../time.ts";
import { pooledShare, proportionLimits } from "./proportion.ts";

/** One week of a proportion chart: asked sessions done out of those known. */
export interface CompletionWeek {
  readonly firstDay: LocalDay;
  readonly done: number;
  readonly known: number;
  readonly share: number;
  readonly lower: number;
  readonly upper: number;
  readonly outside: boolean;
}

/**
 * The share of asked sessions done, week by week (seven days each, the last ending with the last day given), against
 * three-sigma limits around the common share of all of them. Weeks of which nothing is known are left out.
 */
export function weeklyCompletion(days: readonly DayState[]): CompletionWeek[] {
  const weeks: { firstDay: LocalDay; count: number; of: number }[] = [];
  for (let end = days.length; end >= 7; end -= 7) {
    const week = days.slice(end - 7, end).filter((day) => day.eligible);
    const count = week.reduce((sum, day) => sum + day.done, 0);
    const of = count + week.reduce((sum, day) => sum + day.missed, 0);
    if (of > 0) weeks.unshift({ firstDay: days[end - 7]?.day ?? "", count, of });
  }
  const centre = pooledShare(weeks);
  if (centre === undefined) return [];
  return weeks.map(({ firstDay, count, of }) => {
    const { lower, upper } = proportionLimits(centre, of);
    const share = count / of;
    return { firstDay, done: count, known: of, share, lower, upper, outside: share < lower || share > upper };
  });
}
