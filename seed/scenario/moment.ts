import { addDays, wallClockMs } from "../../src/domain/local-day.ts";
import type { EpochMs, LocalDay } from "../../src/domain/time.ts";
import type { Loan, Moment } from "./story.ts";

/** The instant of a moment of the story; a clock reading that summer time jumps over is the hour after it. */
export function instantOf({ day, time }: Moment, today: LocalDay, zone: string): EpochMs {
  const [hours = 0, minutes = 0] = time.split(":").map(Number);
  return wallClockMs(addDays(today, day + Math.floor(hours / 24)), (hours % 24) * 60 + minutes, zone, "later");
}

/** From when until when somebody has a machine; `endMs` is Infinity while they still have it. */
export function timeOfLoan(loan: Loan, today: LocalDay, zone: string): { startMs: EpochMs; endMs: EpochMs } {
  return {
    startMs: "date" in loan.from ? Date.parse(loan.from.date) : instantOf(loan.from, today, zone),
    endMs: loan.to === undefined ? Number.POSITIVE_INFINITY : instantOf(loan.to, today, zone),
  };
}

/** An instant as RFC 3339 in UTC, whole seconds. */
export function isoOf(ms: EpochMs): string {
  return `${new Date(ms).toISOString().slice(0, 19)}Z`;
}
