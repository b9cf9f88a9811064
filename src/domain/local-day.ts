import type { Interval } from "./part.ts";
import type { EpochMs, LocalDay } from "./time.ts";

const DAY_MS = 86_400_000;
const MAXIMUM_ZONES = 600;
const MAXIMUM_DAYS_PER_ZONE = 4_000;

// A review asks for the same few day starts again and again, and Temporal takes microseconds for each. Bounded by
// clearing: the next review pays once, and nothing grows for ever.
const dayStartsByZone = new Map<string, Map<number, EpochMs>>();

/**
 * Days since 1970-01-01 of a local day; day arithmetic on these is plain integer arithmetic.
 * Throws a RangeError for text that is not `YYYY-MM-DD`. Proleptic Gregorian calendar, as ISO 8601.
 */
export function dayNumber(day: LocalDay): number {
  const year = Number(day.slice(0, 4));
  const month = Number(day.slice(5, 7));
  const dayOfMonth = Number(day.slice(8));
  if (day.length !== 10 || !(month >= 1 && month <= 12 && dayOfMonth >= 1 && dayOfMonth <= 31 && year >= 0)) {
    throw new RangeError(`"${day}" is not a local day; write YYYY-MM-DD.`);
  }
  return numberOfDate(year, month, dayOfMonth);
}

/** The local day that lies `number` days after 1970-01-01; the inverse of `dayNumber`. */
export function dayOfNumber(number: number): LocalDay {
  // Years are counted from 1 March, so that the leap day is the last of its year; 400 years are always 146 097 days.
  const shifted = number + 719_468;
  const era = Math.floor(shifted / 146_097);
  const dayOfEra = shifted - era * 146_097;
  const yearOfEra = Math.floor(
    (dayOfEra - Math.floor(dayOfEra / 1460) + Math.floor(dayOfEra / 36_524) - Math.floor(dayOfEra / 146_096)) / 365,
  );
  const dayOfYear = dayOfEra - (365 * yearOfEra + Math.floor(yearOfEra / 4) - Math.floor(yearOfEra / 100));
  const monthFromMarch = Math.floor((5 * dayOfYear + 2) / 153);
  const dayOfMonth = dayOfYear - Math.floor((153 * monthFromMarch + 2) / 5) + 1;
  const month = monthFromMarch < 10 ? monthFromMarch + 3 : monthFromMarch - 9;
  return dateText(yearOfEra + era * 400 + (month <= 2 ? 1 : 0), month, dayOfMonth);
}

/** Whether the text is a calendar date that exists, written `YYYY-MM-DD`. */
export function isLocalDay(text: string): boolean {
  return /^\d{4}-\d\d-\d\d$/.test(text) && validDate(text);
}

/** The local day `count` days later; earlier when `count` is negative. */
export function addDays(day: LocalDay, count: number): LocalDay {
  return dayOfNumber(dayNumber(day) + count);
}

/** Days from `from` to `to`: 0 for the same day, negative when `to` is earlier. Clock changes play no part. */
export function daysBetween(from: LocalDay, to: LocalDay): number {
  return dayNumber(to) - dayNumber(from);
}

/** The later of two local days. */
export function laterDay(a: LocalDay, b: LocalDay): LocalDay {
  return daysBetween(a, b) > 0 ? b : a;
}

/**
 * The local day one interval later. Months are calendar months; a day that the target month lacks becomes its last day
 * (31 January + 1 month = the last day of February), as Temporal's `constrain` and the storeroom's calendar do.
 */
export function addInterval(day: LocalDay, interval: Interval): LocalDay {
  if ("days" in interval) return addDays(day, interval.days);
  const months = Number(day.slice(0, 4)) * 12 + Number(day.slice(5, 7)) - 1 + interval.months;
  const year = Math.floor(months / 12);
  const month = months - year * 12 + 1;
  return dateText(year, month, Math.min(Number(day.slice(8)), daysInMonth(year, month)));
}

/**
 * Whether the text names a zone of the IANA time zone database that this runtime knows.
 * A bare offset such as `+01:00` is no zone: it cannot say when the clocks change.
 */
export function isZone(zone: string): boolean {
  if (dayStartsByZone.has(zone)) return true;
  if (!/^[A-Za-z]/.test(zone)) return false;
  try {
    new Temporal.ZonedDateTime(0n, zone);
    return true;
  } catch {
    return false;
  }
}

/**
 * The first instant of a local day in a zone. Where clocks jump over midnight it is the first instant after the jump.
 * Days follow each other without gap: the end of a day is the start of the next, 23, 24 or 25 hours later.
 * Throws a RangeError for an unknown zone.
 */
export function startOfDayMs(day: LocalDay, zone: string): EpochMs {
  return startOfDayNumber(dayNumber(day), zone);
}

/**
 * The patient's calendar date at an instant: the day whose `[start, start of the next)` contains it.
 * (Newfoundland put its clocks back at 00:01 until 2011; the hour that was thereby repeated stays with the later day.)
 * Throws a RangeError for an unknown zone.
 */
export function localDayOf(epochMs: EpochMs, zone: string): LocalDay {
  // No zone is a whole day away from UTC, so the answer is the UTC date or one of its neighbours.
  let number = Math.floor(epochMs / DAY_MS);
  if (epochMs < startOfDayNumber(number, zone)) number -= 1;
  else if (epochMs >= startOfDayNumber(number + 1, zone)) number += 1;
  return dayOfNumber(number);
}

/**
 * Minutes on the wall clock since midnight (0 to 1439) at an instant, whole minutes, as a person would read them.
 * On the day the clocks go back, two instants an hour apart read the same.
 */
export function minuteOfDay(epochMs: EpochMs, zone: string): number {
  const number = dayNumber(localDayOf(epochMs, zone));
  const start = startOfDayNumber(number, zone);
  if (startOfDayNumber(number + 1, zone) - start === DAY_MS) return Math.floor((epochMs - start) / 60_000);
  const clock = Temporal.Instant.fromEpochMilliseconds(epochMs).toZonedDateTimeISO(zone);
  return clock.hour * 60 + clock.minute;
}

/**
 * The instant at which the wall clock of a local day reads so many minutes after midnight.
 * A reading that occurs twice, or is jumped over, has two candidates: `side` takes the earlier or the later.
 */
export function wallClockMs(day: LocalDay, minutes: number, zone: string, side: "earlier" | "later"): EpochMs {
  const number = dayNumber(day);
  const start = startOfDayNumber(number, zone);
  if (minutes === 0) return start;
  if (startOfDayNumber(number + 1, zone) - start === DAY_MS) return start + minutes * 60_000;
  return Temporal.PlainDate.from(day)
    .toPlainDateTime({ hour: Math.floor(minutes / 60), minute: minutes % 60 })
    .toZonedDateTime(zone, { disambiguation: side }).epochMilliseconds;
}

function startOfDayNumber(number: number, zone: string): EpochMs {
  let starts = dayStartsByZone.get(zone);
  const known = starts?.get(number);
  if (known !== undefined) return known;
  const start = Temporal.PlainDate.from(dayOfNumber(number)).toZonedDateTime(zone).epochMilliseconds;
  if (starts === undefined) {
    if (dayStartsByZone.size >= MAXIMUM_ZONES) dayStartsByZone.clear();
    starts = new Map();
    dayStartsByZone.set(zone, starts);
  }
  if (starts.size >= MAXIMUM_DAYS_PER_ZONE) starts.clear();
  starts.set(number, start);
  return start;
}

function validDate(text: string): boolean {
  const month = Number(text.slice(5, 7));
  const dayOfMonth = Number(text.slice(8));
  return month >= 1 && month <= 12 && dayOfMonth >= 1 && dayOfMonth <= daysInMonth(Number(text.slice(0, 4)), month);
}

function daysInMonth(year: number, month: number): number {
  if (month === 2) return year % 4 === 0 && (year % 100 !== 0 || year % 400 === 0) ? 29 : 28;
  return month === 4 || month === 6 || month === 9 || month === 11 ? 30 : 31;
}

function numberOfDate(year: number, month: number, dayOfMonth: number): number {
  const yearFromMarch = month <= 2 ? year - 1 : year;
  const era = Math.floor(yearFromMarch / 400);
  const yearOfEra = yearFromMarch - era * 400;
  const dayOfYear = Math.floor((153 * (month > 2 ? month - 3 : month + 9) + 2) / 5) + dayOfMonth - 1;
  const dayOfEra = yearOfEra * 365 + Math.floor(yearOfEra / 4) - Math.floor(yearOfEra / 100) + dayOfYear;
  return era * 146_097 + dayOfEra - 719_468;
}

function dateText(year: number, month: number, dayOfMonth: number): LocalDay {
  return `${String(year).padStart(4, "0")}-${month < 10 ? "0" : ""}${month}-${dayOfMonth < 10 ? "0" : ""}${dayOfMonth}`;
}
