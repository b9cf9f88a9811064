import {
  daysUsed,
  type Measure,
  type MeasureCode,
  measure,
  sessionsCompleted,
  sessionsRecorded,
  sum,
  within,
} from "./adherence.ts";
import { type DayFacets, dayFacets } from "./day-facets.ts";
import { type DayState, dayStates } from "./day-state.ts";
import { addDays } from "./local-day.ts";
import type { Picture } from "./picture.ts";
import type { LocalDay } from "./time.ts";

/** A day with everything that a measure counts of it. */
type MeasuredDay = DayState & { readonly facets: DayFacets };

/** The measures of the days on which one plan, or none, was in force. */
export interface MeasureSegment {
  /** Absent where no plan was. */
  readonly planId?: string;
  readonly firstDay: LocalDay;
  readonly endDay: LocalDay;
  readonly measures: readonly Measure[];
}

/**
 * Every measure of `[firstDay, endDay)`, always in the same order. The picture must hold every session of these days;
 * sittings are those of its sessions.
 */
export function measuresOf(picture: Picture, firstDay: LocalDay, endDay: LocalDay): readonly Measure[] {
  return measuresOfDays(measuredDays(picture, firstDay, endDay), firstDay, endDay, picture);
}

/**
 * The same measures for each run of days with one plan: a change of plan splits the window. Numerators, denominators and
 * eligible of the segments add up to those of the whole, because each is a sum over days.
 */
export function measureSegments(picture: Picture, firstDay: LocalDay, endDay: LocalDay): readonly MeasureSegment[] {
  const days = measuredDays(picture, firstDay, endDay);
  const segments: MeasureSegment[] = [];
  for (let from = 0; from < days.length; ) {
    const planId = days[from]?.planId;
    let to = from + 1;
    while (to < days.length && days[to]?.planId === planId) to += 1;
    const [first, end] = [addDays(firstDay, from), addDays(firstDay, to)];
    const measures = measuresOfDays(days.slice(from, to), first, end, picture);
    segments.push({ ...(planId !== undefined && { planId }), firstDay: first, endDay: end, measures });
    from = to;
  }
  return segments;
}

/** `sessions-completed` of each day part that was asked for on any of these days, in the order of the day parts. */
export function sessionsCompletedByPart(
  picture: Picture,
  firstDay: LocalDay,
  endDay: LocalDay,
): readonly (Measure & { readonly part: string })[] {
  const days = within(dayStates(picture, firstDay, endDay), firstDay, endDay);
  const asked = picture.thresholds.dayParts.filter(({ code }) => days.some((day) => day.parts[code] !== undefined));
  return asked.map(({ code: part }) => {
    const counted = sum(days, ({ parts }) => ({
      numerator: parts[part] === "done" ? 1 : 0,
      denominator: parts[part] === undefined || parts[part] === "unknown" ? 0 : 1,
      eligible: parts[part] === undefined ? 0 : 1,
    }));
    return { ...measure("sessions-completed", firstDay, endDay, counted, picture.thresholds), part };
  });
}

function measuredDays(picture: Picture, firstDay: LocalDay, endDay: LocalDay): MeasuredDay[] {
  const days = dayStates(picture, firstDay, endDay);
  const facets = dayFacets(picture, days);
  return days.map((day, i) => ({ ...day, facets: facets[i] as DayFacets }));
}

function measuresOfDays(
  days: readonly MeasuredDay[],
  firstDay: LocalDay,
  endDay: LocalDay,
  { thresholds }: Picture,
): Measure[] {
  const eligible = within(days, firstDay, endDay);
  const of = (code: MeasureCode, counted: Parameters<typeof measure>[3]) =>
    measure(code, firstDay, endDay, counted, thresholds);
  return [
    daysUsed(days, firstDay, endDay, thresholds),
    sessionsCompleted(days, firstDay, endDay, thresholds),
    sessionsRecorded(days, firstDay, endDay, thresholds),
    of(
      "dose",
      sum(eligible, ({ facets }) => ({
        numerator: facets.cyclesDone,
        denominator: facets.cyclesKnown,
        eligible: facets.cyclesAsked,
      })),
    ),
    of(
      "settings-concordance",
      sum(eligible, ({ facets }) => ({
        numerator: facets.concordant,
        denominator: facets.compared,
        eligible: facets.sessions,
      })),
    ),
    of(
      "all-facets",
      sum(eligible, ({ facets: { facets } }) => ({
        numerator: facets === "met" ? 1 : 0,
        denominator: facets === "met" || facets === "not-met" ? 1 : 0,
        eligible: facets === undefined ? 0 : 1,
      })),
    ),
  ];
}
