import { dayNumber, isLocalDay } from "./local-day.ts";
import { accepted, type Result, refused } from "./result.ts";
import type { EpochMs } from "./time.ts";

/** How to turn readings of one device's clock into instants, from one reading of its memory. */
export interface ClockCorrection {
  /** When the memory was read, by the receiver's clock. */
  readonly readMs: EpochMs;
  /** What the device clock showed at that moment; absent when nobody noted it. */
  readonly deviceClock?: ClockReading;
  /**
   * How far the device clock was ahead of the receiver (negative: behind). Absent when it was not noted, or was noted
   * without an offset: then its zone is not known and the difference says nothing.
   */
  readonly driftMs?: number;
}

/** One date-time as received; `ms` counts from 1970 by the clock's own face when no offset was stated. */
export interface ClockReading {
  readonly ms: EpochMs;
  readonly form: "offset" | "zone-less";
}

const DATE_TIME = /^(\d{4}-\d\d-\d\d)[Tt](\d\d):(\d\d):(\d\d)(?:\.(\d+))?([Zz]|[+-]\d\d:\d\d)?$/;

/**
 * The correction that a reading of the memory allows. `readAt` needs an offset (RFC 3339); `deviceClockAtReading` may
 * lack one. Refuses what is no such date-time or lies outside the years 2000 to 2100.
 */
export function correctionOf(reading: {
  readonly readAt: string;
  readonly deviceClockAtReading?: string | undefined;
}): Result<ClockCorrection> {
  const read = readingOf(reading.readAt, "readAt");
  if (!read.ok) return read;
  if (read.value.form === "zone-less") {
    const detail = `Give readAt an offset, for instance ${reading.readAt}Z for UTC; it is the time all others are tied to.`;
    return refused({ kind: "value", detail, at: "readAt" });
  }
  const readMs = read.value.ms;
  if (reading.deviceClockAtReading === undefined) return accepted({ readMs });
  const clock = readingOf(reading.deviceClockAtReading, "deviceClockAtReading");
  if (!clock.ok) return clock;
  const drift = clock.value.form === "offset" ? { driftMs: clock.value.ms - readMs } : {};
  return accepted({ readMs, deviceClock: clock.value, ...drift });
}

/**
 * The instant of a device time: `readAt + (deviceTime - deviceClockAtReading)`, whole milliseconds. The device clock is
 * taken as a counter that runs evenly and that nobody set between the two, summer time included. Without
 * `deviceClockAtReading` a time with an offset stands as it is. Refused: times without offset that nothing ties to real
 * time, and comparing a time that has an offset with a clock reading that has none. Refusals have no path; the caller
 * knows where the time stood.
 */
export function correctedMs(deviceTime: string, correction: ClockCorrection): Result<EpochMs> {
  const time = readingOf(deviceTime);
  if (!time.ok) return time;
  const clock = correction.deviceClock;
  if (clock === undefined) {
    if (time.value.form === "offset") return accepted(time.value.ms);
    const detail = `"${deviceTime}" has no offset, so it could be any time zone. Send deviceClockAtReading: what the device's own clock showed, written the same way, when its memory was read.`;
    return refused({ kind: "value", detail });
  }
  if (clock.form !== time.value.form) {
    const [has, lacks] =
      clock.form === "offset" ? ["deviceClockAtReading", "this time"] : ["this time", "deviceClockAtReading"];
    const detail = `"${deviceTime}" cannot be compared with deviceClockAtReading: ${has} has an offset and ${lacks} has none. Send both as the device shows them, both with an offset or both without.`;
    return refused({ kind: "value", detail });
  }
  return accepted(correction.readMs + (time.value.ms - clock.ms));
}

function readingOf(text: string, at?: string): Result<ClockReading> {
  const where = at === undefined ? {} : { at };
  const match = DATE_TIME.exec(text);
  const [, date = "", hours = "", minutes = "", seconds = "", fraction = "", offset = ""] = match ?? [];
  if (match === null || !isLocalDay(date) || Number(hours) > 23 || Number(minutes) > 59 || Number(seconds) > 59) {
    const detail = `"${text}" is no date-time that exists; write for instance 2026-03-01T08:15:00Z or 2026-03-01T08:15:00+01:00 (RFC 3339).`;
    return refused({ kind: "value", detail, ...where });
  }
  const year = Number(date.slice(0, 4));
  if (year < 2000 || year > 2100) {
    const detail = `"${text}" lies outside the years 2000 to 2100; the clock it came from has lost its date. Set the clock and read the memory again.`;
    return refused({ kind: "value", detail, ...where });
  }
  const minutesOfOffset = offsetMinutes(offset);
  if (minutesOfOffset === undefined) {
    return refused({
      kind: "value",
      detail: `"${offset}" is no offset in use; offsets run from -12:00 to +14:00.`,
      ...where,
    });
  }
  const clockMs = ((dayNumber(date) * 24 + Number(hours)) * 60 + Number(minutes)) * 60_000 + Number(seconds) * 1000;
  // Digits beyond the millisecond are cut off, not rounded, so that no time moves into the next second.
  const ms = clockMs + Number(fraction.slice(0, 3).padEnd(3, "0")) - minutesOfOffset * 60_000;
  return accepted({ ms, form: offset === "" ? "zone-less" : "offset" });
}

function offsetMinutes(offset: string): number | undefined {
  if (offset === "" || offset === "Z" || offset === "z") return 0;
  const minutes = Number(offset.slice(1, 3)) * 60 + Number(offset.slice(4));
  if (Number(offset.slice(4)) > 59) return undefined;
  const signed = offset.startsWith("-") ? -minutes : minutes;
  return signed >= -12 * 60 && signed <= 14 * 60 ? signed : undefined;
}
