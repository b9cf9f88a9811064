import { accepted, type Result, refused } from "../../domain/result.ts";
import type { DateEntry } from "./index-values.ts";
import type { Prefix, RangeTest } from "./query.ts";

const shape =
  /^(?!0000)(\d{4})(?:-(\d\d)(?:-(\d\d)(?:[T ](\d\d):(\d\d)(?::(\d\d)(?:\.(\d+))?)?(Z|[+-]\d\d:\d\d)?)?)?)?$/;

/**
 * The half-open range of instants that a date of any precision covers, in epoch milliseconds; undefined when it is
 * none. Dates and times without a zone are read in UTC (https://hl7.org/fhir/R4/search.html#date).
 */
export function rangeOfDate(text: string): { lowMs: number; highMs: number } | undefined {
  const range = unboundedRange(text);
  return range && { lowMs: withinYears(range.lowMs), highMs: withinYears(range.highMs) };
}

const firstYearMs = new Date(0).setUTCFullYear(1, 0, 1);
const endOfYearsMs = Date.UTC(10_000);

/**
 * R4 writes years 1 to 9999 (https://hl7.org/fhir/R4/datatypes.html#date), so what lies outside is beyond every date;
 * an end of 9999-12-31 is how many systems write that there is none. PostgreSQL reads no ISO text of such an instant.
 */
function withinYears(ms: number): number {
  if (ms < firstYearMs) return Number.NEGATIVE_INFINITY;
  return ms >= endOfYearsMs ? Number.POSITIVE_INFINITY : ms;
}

function unboundedRange(text: string): { lowMs: number; highMs: number } | undefined {
  const match = shape.exec(text);
  if (match === null) return undefined;
  const [, yearText, monthText, dayText, hourText, minuteText, secondText, fraction, zone] = match;
  const year = Number(yearText);
  const month = Number(monthText ?? 1) - 1;
  const day = Number(dayText ?? 1);
  const midnight = midnightUtc(year, month, day);
  const [hour, minute, second] = [Number(hourText ?? 0), Number(minuteText ?? 0), Number(secondText ?? 0)];
  if (midnight === undefined || month > 11 || hour > 23 || minute > 59 || second > 60) return undefined;
  if (dayText === undefined) {
    const end = monthText === undefined ? midnightUtc(year + 1, 0, 1) : midnightUtc(year, month + 1, 1);
    return end === undefined ? undefined : { lowMs: midnight, highMs: end };
  }
  if (hourText === undefined) return { lowMs: midnight, highMs: midnight + 86_400_000 };
  const lowMs = midnight + ((hour * 60 + minute) * 60 + second) * 1_000 - offsetOf(zone ?? "Z");
  if (secondText === undefined) return { lowMs, highMs: lowMs + 60_000 };
  if (fraction === undefined) return { lowMs, highMs: lowMs + 1_000 };
  // Finer than a millisecond is not told apart; 12.5 covers a tenth of a second, 12.500 a thousandth.
  const fractionMs = Number(fraction.padEnd(3, "0").slice(0, 3));
  return { lowMs: lowMs + fractionMs, highMs: lowMs + fractionMs + 10 ** Math.max(0, 3 - fraction.length) };
}

/** The start of a day in UTC; undefined for a day that no calendar has (a month of 12 is next January). */
function midnightUtc(year: number, month: number, day: number): number | undefined {
  const made = new Date(0);
  made.setUTCFullYear(year, month, day);
  return made.getUTCDate() === day && made.getUTCMonth() === month % 12 ? made.getTime() : undefined;
}

function offsetOf(zone: string): number {
  if (zone === "Z") return 0;
  const sign = zone.startsWith("-") ? -1 : 1;
  return sign * (Number(zone.slice(1, 3)) * 60 + Number(zone.slice(4, 6))) * 60_000;
}

/**
 * What to index of a date, dateTime, instant, Period or Timing; open ends of a Period are infinite. A Timing gives its
 * events and its outer bounds (https://hl7.org/fhir/R4/search.html#date). Nothing of any other value.
 */
export function datesOf(value: unknown, key: string): DateEntry[] {
  if (typeof value === "string") {
    const range = rangeOfDate(value);
    return range === undefined ? [] : [{ key, ...range }];
  }
  if (typeof value !== "object" || value === null) return [];
  const { start, end, event, repeat } = value as DatedShape;
  if (event !== undefined || repeat !== undefined) {
    return [...(event ?? []), repeat?.boundsPeriod].flatMap((one) => datesOf(one, key));
  }
  if (start === undefined && end === undefined) return [];
  const first = start === undefined ? undefined : rangeOfDate(start);
  const last = end === undefined ? undefined : rangeOfDate(end);
  return [{ key, lowMs: first?.lowMs ?? Number.NEGATIVE_INFINITY, highMs: last?.highMs ?? Number.POSITIVE_INFINITY }];
}

interface DatedShape {
  readonly start?: string;
  readonly end?: string;
  readonly event?: readonly string[];
  readonly repeat?: { readonly boundsPeriod?: unknown };
}

/** Reads a query value such as `ge2026-03`. `ap` widens by a tenth of the time between then and now, as R4 suggests. */
export function dateTest(value: string, nowMs: number): Result<RangeTest> {
  const prefix = (/^(eq|ne|gt|lt|ge|le|sa|eb|ap)(?=\d)/.exec(value)?.[0] ?? "") as Prefix | "";
  const text = value.slice(prefix.length);
  const range = unboundedRange(text.replace(/ (\d\d:\d\d)$/, "+$1"));
  if (range === undefined) {
    const detail = `"${value.slice(0, 64)}" is no date. Write YYYY, YYYY-MM, YYYY-MM-DD or a time with seconds and zone (a "+" in a URL is "%2B"), with an optional prefix such as ge.`;
    return refused({ kind: "value", detail, status: 400 });
  }
  const widening = prefix === "ap" ? Math.abs(nowMs - range.lowMs) / 10 : 0;
  return accepted({
    prefix: prefix === "" ? "eq" : prefix,
    low: withinYears(range.lowMs - widening),
    high: withinYears(range.highMs + widening),
  });
}
