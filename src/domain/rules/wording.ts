import type { Interval } from "../part.ts";
import type { LocalDay } from "../time.ts";

const MONTHS = [
  "January",
  "February",
  "March",
  "April",
  "May",
  "June",
  "July",
  "August",
  "September",
  "October",
  "November",
  "December",
];

/** A local day as it is written in a letter: `5 March 2026`. */
export function dayInWords(day: LocalDay): string {
  return `${Number(day.slice(8))} ${MONTHS[Number(day.slice(5, 7)) - 1]} ${Number(day.slice(0, 4))}`;
}

/** A count with its noun: `1 session`, `2 sessions`. */
export function counted(count: number, noun: string): string {
  return `${count} ${noun}${count === 1 ? "" : "s"}`;
}

/** A length of time: `1 month`, `14 days`. */
export function intervalInWords(interval: Interval): string {
  return "months" in interval ? counted(interval.months, "month") : counted(interval.days, "day");
}

/** A share as whole per cent, rounded down, so that a share under a threshold never reads as having met it: `49 %`. */
export function percent(share: number): string {
  return `${Math.floor(share * 100 + 1e-9)} %`;
}

/** A measured number without needless digits: at most two decimals, no trailing zeros. */
export function plainNumber(value: number): string {
  return String(Math.round(value * 100) / 100);
}
