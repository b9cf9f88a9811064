import { type DayState, dayStates } from "./day-state.ts";
import { addDays, addInterval, daysBetween } from "./local-day.ts";
import type { Interval } from "./part.ts";
import { type PartState, partStates } from "./part-state.ts";
import type { Picture } from "./picture.ts";
import { caseloadDays } from "./picture-window.ts";
import type { LocalDay } from "./time.ts";

/** One part that will be needed. */
export interface PartNeed {
  readonly kind: string;
  /** The day by which it is needed; today for one that is overdue. */
  readonly day: LocalDay;
  readonly overdue: boolean;
}

/** The longest that a forecast looks ahead. */
export const forecastDays = 90;

/**
 * What the patient needs for the parts in `[today, today + days)`, at most 90 days ahead, by day. A part that is overdue is
 * needed today. Each is taken as replaced on its day and needed again after its plain interval: nobody knows how long an
 * infection will last. A use limit is foreseen by the sessions of the last 28 known days. Of a part of which nothing is
 * asked (machine returned, patient died), none is needed.
 */
export function partNeeds(picture: Picture, days: number): PartNeed[] {
  const endDay = addDays(picture.today, Math.min(days, forecastDays));
  const perDay = usePerDay(picture);
  return partStates(picture)
    .flatMap((state) => needsOf(state, picture.today, endDay, perDay))
    .sort((a, b) => (a.day < b.day ? -1 : a.day > b.day ? 1 : a.kind < b.kind ? -1 : 1));
}

interface UsePerDay {
  readonly sessions: number;
  readonly hours: number;
}

function needsOf(state: PartState, today: LocalDay, endDay: LocalDay, perDay: UsePerDay): PartNeed[] {
  const { kind, replaceByDay } = state;
  if (!state.asked) return [];
  const byUse = dayOfUseLimit(state, today, perDay);
  const first = earlier(replaceByDay, byUse);
  if (first === undefined) return [];
  const needs: PartNeed[] = [];
  // At the latest after the interval, at the latest when used up again: whichever comes first, never on the same day.
  for (let day: LocalDay | undefined = first; day !== undefined && day < endDay; ) {
    const overdue = day < today;
    const neededDay = overdue ? today : day;
    needs.push({ kind: state.part.kind, day: neededDay, overdue });
    day = earlier(
      kind?.replaceAfter === undefined ? undefined : nextDay(neededDay, kind.replaceAfter),
      usedUpDay(neededDay, kind?.replaceAfterSessions, perDay.sessions),
      usedUpDay(neededDay, kind?.replaceAfterHours, perDay.hours),
    );
  }
  return needs;
}

function nextDay(day: LocalDay, interval: Interval): LocalDay {
  const next = addInterval(day, interval);
  return daysBetween(day, next) > 0 ? next : addDays(day, 1);
}

/** The day on which the limit of a part in use will be reached if use goes on as it was; undefined where there is none. */
function dayOfUseLimit(state: PartState, today: LocalDay, perDay: UsePerDay): LocalDay | undefined {
  const { kind, use } = state;
  // A limit that has been reached stands in `replaceByDay` already.
  if (kind === undefined || use === undefined || state.limit?.reason === "use-limit") return undefined;
  return earlier(
    usedUpDay(today, left(kind.replaceAfterSessions, use.sessions), perDay.sessions),
    usedUpDay(today, left(kind.replaceAfterHours, use.hours), perDay.hours),
  );
}

function left(limit: number | undefined, used: number): number | undefined {
  return limit === undefined ? undefined : Math.max(0, limit - used);
}

function usedUpDay(from: LocalDay, amount: number | undefined, perDay: number): LocalDay | undefined {
  if (amount === undefined || perDay <= 0) return undefined;
  return addDays(from, Math.max(1, Math.ceil(amount / perDay - 1e-9)));
}

/** Mean use of the last 28 known days; 0 where none is known. */
function usePerDay(picture: Picture): UsePerDay {
  const days = dayStates(picture, addDays(picture.today, -caseloadDays), picture.today);
  const known = days.filter((day: DayState) => day.state !== "unknown");
  if (known.length === 0) return { sessions: 0, hours: 0 };
  const sessions = known.reduce((sum, day) => sum + day.sessions, 0);
  const minutes = known.reduce((sum, day) => sum + day.minutes, 0);
  return { sessions: sessions / known.length, hours: minutes / 60 / known.length };
}

function earlier(...days: readonly (LocalDay | undefined)[]): LocalDay | undefined {
  return days.reduce((a, b) => (a === undefined || (b !== undefined && b < a) ? b : a), undefined);
}
