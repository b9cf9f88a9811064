import { addInterval } from "../local-day.ts";
import type { LocalDay } from "../time.ts";
import type { Period } from "./figures.ts";

const months = { month: 1, quarter: 3, year: 12 } as const;

/** The period of the grid with this code (`2026-05`, `2026-Q2`, `2026`); undefined for any other text. Calendar years. */
export function periodOf(code: string): Period | undefined {
  const [, year, quarter, month] = /^(\d{4})(?:-Q([1-4])|-(0[1-9]|1[0-2]))?$/.exec(code) ?? [];
  if (year === undefined) return undefined;
  if (month !== undefined) return period(code, "month", `${year}-${month}-01`);
  if (quarter === undefined) return period(code, "year", `${year}-01-01`);
  return period(code, "quarter", `${year}-${String(Number(quarter) * 3 - 2).padStart(2, "0")}-01`);
}

/** The months that a period is made of, in order; of a month itself. Together they are the period, without gap. */
export function monthsOf({ kind, firstDay }: Period): readonly Period[] {
  return Array.from({ length: months[kind] }, (_, index) => {
    const first = addInterval(firstDay, { months: index });
    return period(first.slice(0, 7), "month", first);
  });
}

/** Whether the period is over on this day: its figures can still be corrected, and no day of it is still to come. */
export function isOver({ endDay }: Period, today: LocalDay): boolean {
  return endDay <= today;
}

function period(code: string, kind: Period["kind"], firstDay: LocalDay): Period {
  return { code, kind, firstDay, endDay: addInterval(firstDay, { months: months[kind] }) };
}
