import { addDays, localDayOf, minuteOfDay, wallClockMs } from "./local-day.ts";
import type { DayPart } from "./prescription.ts";
import { accepted, type Refusal, type Result, refused } from "./result.ts";
import type { EpochMs, LocalDay, TimeRange } from "./time.ts";

const MINUTES_PER_DAY = 1440;

/** The local day and, where a part contains it, the day part that a session counts to. */
export interface SettledDay {
  readonly localDay: LocalDay;
  readonly dayPart?: string;
}

/**
 * The local day and day part of a session, settled by the wall clock at its start. A part that wraps past midnight
 * belongs to the day on which it began, so with an evening of 16:00 to 04:00 a session at 02:00 counts to the evening of
 * the day before. Outside all parts a session keeps its calendar day and has no part.
 * The parts are the tenant's, not those that the plan of the moment asks for: otherwise the day of a session would
 * depend on whether the plan or the upload arrived first.
 */
export function settleDay(startMs: EpochMs, zone: string, dayParts: readonly DayPart[]): SettledDay {
  const calendarDay = localDayOf(startMs, zone);
  const minute = minuteOfDay(startMs, zone);
  for (const part of dayParts) {
    const from = minutesOfClock(part.from);
    const to = minutesOfClock(part.to);
    if (from < to) {
      if (minute >= from && minute < to) return { localDay: calendarDay, dayPart: part.code };
    } else if (minute >= from) {
      return { localDay: calendarDay, dayPart: part.code };
    } else if (minute < to) {
      return { localDay: addDays(calendarDay, -1), dayPart: part.code };
    }
  }
  return { localDay: calendarDay };
}

/**
 * The instants that `settleDay` counts to a local day: midnight to midnight, or, when a part wraps, from the end of
 * that part on this day to its end on the next (04:00 to 04:00 by default). A day is covered in full only when all of
 * this is. Where the clocks change at that very time the range is read wide, so that doubt leaves a day unknown.
 */
export function timeOfDay(day: LocalDay, zone: string, dayParts: readonly DayPart[]): TimeRange {
  const wrapping = dayParts.find((part) => minutesOfClock(part.from) > minutesOfClock(part.to));
  const turn = wrapping === undefined ? 0 : minutesOfClock(wrapping.to);
  return {
    startMs: wallClockMs(day, turn, zone, "earlier"),
    endMs: wallClockMs(addDays(day, 1), turn, zone, "later"),
  };
}

/** The instants of one part of one local day, read wide where the clocks change at its very edge. */
export function timeOfDayPart(day: LocalDay, zone: string, part: DayPart): TimeRange {
  const from = minutesOfClock(part.from);
  const to = minutesOfClock(part.to);
  return {
    startMs: wallClockMs(day, from, zone, "earlier"),
    endMs: wallClockMs(from < to ? day : addDays(day, 1), to, zone, "later"),
  };
}

/**
 * The parts if they can be used, or every reason why not: no part at all, a code given twice, a time that is no `HH:MM`
 * of 00:00 to 23:59, a part without length, two parts that overlap. Parts may touch and may leave gaps.
 */
export function checkDayParts(parts: readonly DayPart[]): Result<readonly DayPart[]> {
  if (parts.length === 0) return refused(refusal("Name at least one day part.", "dayParts"));
  const refusals: Refusal[] = [];
  parts.forEach((part, index) => {
    const at = `dayParts[${index}]`;
    if (part.code === "") refusals.push(refusal("Give the day part a code.", `${at}.code`));
    for (const end of ["from", "to"] as const) {
      if (!isClock(part[end])) {
        const text = `"${part[end]}" is no clock time; write HH:MM from 00:00 to 23:59 (the end of the day is 00:00).`;
        refusals.push(refusal(text, `${at}.${end}`));
      }
    }
    if (part.from === part.to) refusals.push(refusal("A day part that begins and ends at the same time is empty.", at));
    for (const earlier of parts.slice(0, index)) {
      if (earlier.code === part.code) {
        refusals.push(refusal(`The code "${part.code}" is already taken; give each day part its own.`, `${at}.code`));
      }
      if (overlap(earlier, part)) {
        const text = `"${part.code}" overlaps "${earlier.code}"; a session can count to one day part only.`;
        refusals.push(refusal(text, at));
      }
    }
  });
  return refusals.length === 0 ? accepted(parts) : refused(...refusals);
}

function minutesOfClock(clock: string): number {
  return Number(clock.slice(0, 2)) * 60 + Number(clock.slice(3));
}

function isClock(clock: string): boolean {
  return /^([01]\d|2[0-3]):[0-5]\d$/.test(clock);
}

function overlap(a: DayPart, b: DayPart): boolean {
  if (![a.from, a.to, b.from, b.to].every(isClock)) return false;
  return stretches(a).some(([from, to]) => stretches(b).some(([start, end]) => from < end && start < to));
}

function stretches(part: DayPart): [number, number][] {
  const [from, to] = [minutesOfClock(part.from), minutesOfClock(part.to)];
  if (from < to) return [[from, to]];
  return from === to
    ? []
    : [
        [from, MINUTES_PER_DAY],
        [0, to],
      ];
}

function refusal(detail: string, at: string): Refusal {
  return { kind: "value", detail, at };
}
