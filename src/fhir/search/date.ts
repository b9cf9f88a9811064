import { accepted, type Result, refused } from "../../domain/result.ts";
import type { DateEntry } from "./index-values.ts";
import type { Prefix, RangeTest } from "./query.ts";

const shape = /^(\d{4})(?:-(\d\d)(?:-(\d\d)(?:[T ](\d\d):(\d\d)(?::(\d\d)(?:\.(\d+))?)?(Z|[+-]\d\d:\d\d)?)?)?)?$/;

/**
 * The half-open range of instants that a date of any precision covers, in epoch milliseconds; undefined when it is
 * none. Dates and times without a zone are read in UTC (https://hl7.org/fhir/R4/search.html#date).
 */
export function rangeOfDate(text: string): { lowMs: number; highMs: number } | undefined {
  const match = shape.exec(text);
  if (match === null) return undefined;
  const [, year, month, day, hour, minute, second, fraction, zone] = match;
  const parts = [
    Number(year),
    Number(month ?? 1) - 1,
    Number(day ?? 1),
    Number(hour ?? 0),
    Number(minute ?? 0),
  ] as const;
  const offsetMs = zone === undefined || zone === "Z" ? 0 : offsetOf(zone);
  const low = Date.UTC(parts[0], parts[1], parts[2], parts[3], parts[4], Number(second ?? 0));
  if (Number.isNaN(low) || !isRealDate(parts, Number(second ?? 0))) return undefined;
  if (month === undefined) return { lowMs: low, highMs: Date.UTC(parts[0] + 1, 0, 1) };
  if (day === undefined) return { lowMs: low, highMs: Date.UTC(parts[0], parts[1] + 1, 1) };
  if (hour === undefined) return { lowMs: low, highMs: low + 86_400_000 };
  if (second === undefined) return { lowMs: low - offsetMs, highMs: low - offsetMs + 60_000 };
  if (fraction === undefined) return { lowMs: low - offsetMs, highMs: low - offsetMs + 1_000 };
  const ms = Math.floor(Number(`0.${fraction}`) * 1_000);
  return { lowMs: low - offsetMs + ms, highMs: low - offsetMs + ms + 1 };
}

function isRealDate(parts: readonly [number, number, number, number, number], second: number): boolean {
  const [year, month, day, hour, minute] = parts;
  const made = new Date(Date.UTC(year, month, day));
  return made.getUTCMonth() === month && made.getUTCDate() === day && hour < 25 && minute < 60 && second < 61;
}

function offsetOf(zone: string): number {
  const sign = zone.startsWith("-") ? -1 : 1;
  return sign * (Number(zone.slice(1, 3)) * 60 + Number(zone.slice(4, 6))) * 60_000;
}

/** What to index of a date, dateTime, instant, Period or Timing; open ends of a Period are infinite. */
export function datesOf(value: unknown, key: string): DateEntry[] {
  if (typeof value === "string") {
    const range = rangeOfDate(value);
    return range === undefined ? [] : [{ key, ...range }];
  }
  const one = value as { start?: string; end?: string; event?: string[]; repeat?: { boundsPeriod?: unknown } };
  if (one.event !== undefined || one.repeat !== undefined) {
    const events = (one.event ?? []).flatMap((event) => datesOf(event, key));
    return one.repeat?.boundsPeriod === undefined ? events : [...events, ...datesOf(one.repeat.boundsPeriod, key)];
  }
  if (one.start === undefined && one.end === undefined) return [];
  const start = one.start === undefined ? undefined : rangeOfDate(one.start);
  const end = one.end === undefined ? undefined : rangeOfDate(one.end);
  return [{ key, lowMs: start?.lowMs ?? Number.NEGATIVE_INFINITY, highMs: end?.highMs ?? Number.POSITIVE_INFINITY }];
}

/** Reads a query value such as `ge2026-03`. `ap` widens by a tenth of the time between then and now, as R4 suggests. */
export function dateTest(value: string, nowMs: number): Result<RangeTest> {
  const prefix = (/^(eq|ne|gt|lt|ge|le|sa|eb|ap)(?=\d)/.exec(value)?.[0] ?? "") as Prefix | "";
  const text = value.slice(prefix.length);
  const range = rangeOfDate(text.replace(/ (\d\d:\d\d)$/, "+$1"));
  if (range === undefined) {
    const detail = `"${value}" is no date. Write YYYY, YYYY-MM, YYYY-MM-DD or a time with seconds and zone (a "+" in a URL is "%2B"), with an optional prefix such as ge.`;
    return refused({ kind: "value", detail, status: 400 });
  }
  if (prefix !== "ap") return accepted({ prefix: prefix === "" ? "eq" : prefix, low: range.lowMs, high: range.highMs });
  const widening = Math.abs(nowMs - range.lowMs) / 10;
  return accepted({ prefix, low: range.lowMs - widening, high: range.highMs + widening });
}
