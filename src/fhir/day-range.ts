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
 * A Period as half-open local days. An end that is a date is the last day inside (https://hl7.org/fhir/R4/datatypes.html#period);
 * an end with a time leaves its day to whatever comes next. Undefined without a start.
 */
export function dayRangeOf(period: Period | undefined, zone: string): DayRange | undefined {
  const firstDay = firstDayOf(period?.start, zone);
  if (firstDay === undefined) return undefined;
  const end = period?.end;
  if (end === undefined) return { firstDay };
  const lastOrNext = firstDayOf(end, zone);
  if (lastOrNext === undefined) return { firstDay };
  return { firstDay, endDay: dateOnly.test(end) ? addDays(end, 1) : lastOrNext };
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

/** The instant before which a Period ends; a date ends with its local day. */
export function endMsOf(text: string | undefined, zone: string): number | undefined {
  if (text !== undefined && dateOnly.test(text) && !endless.test(text)) return startOfDayMs(addDays(text, 1), zone);
  return startMsOf(text, zone);
}
