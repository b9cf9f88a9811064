import type { Period } from "@medplum/fhirtypes";
import { addDays, localDayOf, startOfDayMs } from "../domain/local-day.ts";
import type { DayRange, LocalDay } from "../domain/time.ts";

const dateOnly = /^\d{4}-\d\d-\d\d$/;

/** How some systems write "no end". */
const endless = /^999\d/;

/** A FHIR date of any precision as its first day; undefined when it is none, or one that stands for "never". */
export function firstDayOf(text: string | undefined, zone: string): LocalDay | undefined {
  if (text === undefined || endless.test(text)) return undefined;
  if (dateOnly.test(text)) return text;
  if (/^\d{4}-\d\d$/.test(text)) return `${text}-01`;
  if (/^\d{4}$/.test(text)) return `${text}-01-01`;
  const ms = Date.parse(text);
  return Number.isNaN(ms) ? undefined : localDayOf(ms, zone);
}

/**
 * A Period as half-open local days. An end that is a date is the last day inside, a month or year is inside as a whole
 * (https://hl7.org/fhir/R4/datatypes.html#Period);
 * an end with a time leaves its day to whatever comes next. Undefined without a start.
 */
export function dayRangeOf(period: Period | undefined, zone: string): DayRange | undefined {
  const firstDay = firstDayOf(period?.start, zone);
  if (firstDay === undefined) return undefined;
  const end = period?.end;
  if (end === undefined) return { firstDay };
  const lastOrNext = firstDayOf(end, zone);
  if (lastOrNext === undefined) return { firstDay };
  return { firstDay, endDay: dayAfter(end) ?? lastOrNext };
}

/** The day after a date, or after the last day of a month or year; undefined for a time. */
function dayAfter(date: string): LocalDay | undefined {
  if (dateOnly.test(date)) return addDays(date, 1);
  const [year = 0, month] = date.split("-").map(Number);
  if (/^\d{4}$/.test(date)) return `${String(year + 1).padStart(4, "0")}-01-01`;
  if (!/^\d{4}-\d\d$/.test(date) || month === undefined) return undefined;
  // The first plus 31 days falls in the next month, however long this one is.
  return `${addDays(`${date}-01`, 31).slice(0, 7)}-01`;
}

/** The instant at which a Period (or a dateTime) starts; a date starts with its local day. */
export function startMsOf(text: string | undefined, zone: string): number | undefined {
  if (text === undefined || endless.test(text)) return undefined;
  if (!text.includes("T")) {
    const day = firstDayOf(text, zone);
    return day === undefined ? undefined : startOfDayMs(day, zone);
  }
  const ms = Date.parse(text);
  return Number.isNaN(ms) ? undefined : ms;
}

/** The instant before which a Period ends; a date ends with its local day, a month or year with its last. */
export function endMsOf(text: string | undefined, zone: string): number | undefined {
  const next = text === undefined || endless.test(text) ? undefined : dayAfter(text);
  return next === undefined ? startMsOf(text, zone) : startOfDayMs(next, zone);
}
