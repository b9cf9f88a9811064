import type { Picture } from "../picture.ts";
import type { DayRange, LocalDay } from "../time.ts";

/**
 * The days on which a therapy plan is in force (held days included) while the person lives, each range of a plan for
 * itself; they may overlap. A draft, and a plan that is over without saying since when, is in force on no day
 * (`planInForce`). Empty where the person never had a plan.
 */
export function therapyRanges({ plans, deceasedDay }: Pick<Picture, "plans" | "deceasedDay">): readonly DayRange[] {
  return plans.flatMap(({ status, firstDay, endDay }) => {
    const open = status === "active" || status === "on-hold";
    if (status === "draft" || (endDay === undefined && !open)) return [];
    const last = earlier(endDay, deceasedDay);
    if (last !== undefined && last <= firstDay) return [];
    return [{ firstDay, ...(last === undefined ? {} : { endDay: last }) }];
  });
}

/**
 * From the first day on therapy ever up to the day it ended, `endDay` absent while it lasts: a gap between two plans is no
 * end, and the plan after it no new start. Undefined where there never was any.
 */
export function therapySpan(ranges: readonly DayRange[]): DayRange | undefined {
  const [first] = ranges.map((range) => range.firstDay).sort();
  if (first === undefined) return undefined;
  const ends = ranges.flatMap((range) => range.endDay ?? []);
  const end = ends.length < ranges.length ? undefined : ends.sort().at(-1);
  return { firstDay: first, ...(end === undefined ? {} : { endDay: end }) };
}

/** Whether any of the ranges meets `[firstDay, endDay)`. */
export function meetsDays(ranges: readonly DayRange[], firstDay: LocalDay, endDay: LocalDay): boolean {
  return ranges.some((range) => range.firstDay < endDay && (range.endDay === undefined || firstDay < range.endDay));
}

function earlier(a: LocalDay | undefined, b: LocalDay | undefined): LocalDay | undefined {
  if (a === undefined || b === undefined) return a ?? b;
  return a < b ? a : b;
}
