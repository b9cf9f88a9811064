import type { DayState } from "./day-state.ts";
import type { Thresholds } from "./thresholds.ts";
import type { LocalDay } from "./time.ts";

/** A share with everything needed to read it honestly. */
export interface Measure {
  readonly code: "days-used" | "sessions-completed";
  readonly firstDay: LocalDay;
  readonly endDay: LocalDay;
  readonly numerator: number;
  /** Known days or known slots. */
  readonly denominator: number;
  /** Eligible days or slots, unknown ones included. */
  readonly eligible: number;
  /** denominator / eligible; absent when nothing was eligible. */
  readonly coverage?: number;
  /** numerator / denominator; absent with a reason when it would mislead. */
  readonly ratio?: number;
  readonly absentReason?: "nothing-asked" | "nothing-known" | "low-coverage";
  /** Share if every unknown day (slot) were missed … done; absent when nothing was eligible. */
  readonly bounds?: { readonly lowest: number; readonly highest: number };
  readonly ruleVersion: string;
}

type MeasureThresholds = Pick<Thresholds, "minimumCoverageShare" | "version">;

/**
 * Known days with at least one qualifying session out of all known days of `[firstDay, endDay)`; `days` may reach
 * further. The definition of Chatwin & Simonds 2020, Respir Care 65(2):135-143 (days with any use out of all days since
 * issue), with unknown and excluded days taken out. Eligible days without a schedule count, as they do there.
 */
export function daysUsed(
  days: readonly DayState[],
  firstDay: LocalDay,
  endDay: LocalDay,
  thresholds: MeasureThresholds,
): Measure {
  let [used, known, eligible] = [0, 0, 0];
  for (const day of days) {
    if (!day.eligible || day.day < firstDay || day.day >= endDay) continue;
    eligible += 1;
    if (day.state !== "unknown") known += 1;
    if (day.state === "used") used += 1;
  }
  return measure("days-used", firstDay, endDay, [used, known, eligible], thresholds);
}

/**
 * Asked slots done out of known slots of `[firstDay, endDay)`; `days` may reach further. A second morning session does
 * not make up for a missed evening, so it never passes 1. Own definition of this service. Numerators, denominators and
 * eligible slots of adjoining windows add up exactly; ratios do not.
 */
export function sessionsCompleted(
  days: readonly DayState[],
  firstDay: LocalDay,
  endDay: LocalDay,
  thresholds: MeasureThresholds,
): Measure {
  let [done, known, eligible] = [0, 0, 0];
  for (const day of days) {
    if (!day.eligible || day.day < firstDay || day.day >= endDay) continue;
    done += day.done;
    known += day.done + day.missed;
    eligible += day.asked;
  }
  return measure("sessions-completed", firstDay, endDay, [done, known, eligible], thresholds);
}

/** The name of a band of shares, half-open and without gap: under 0.35, 0.35 to under 0.80, 0.80 and above. */
export type Band = "low" | "moderate" | "high";

/** Where the bands come from. */
export const bandSource =
  "Chest-wall oscillation in cystic fibrosis, Respir Care 2019: low < 35 %, moderate 36-79 %, high > 80 %; the gaps that leaves are closed here.";

/** What must be said beside every band. */
export const bandNote = "Not validated for mechanical insufflation-exsufflation; recorded use is not effectiveness.";

/** The band that a share falls into. */
export function band(ratio: number): Band {
  if (ratio < 0.35) return "low";
  return ratio < 0.8 ? "moderate" : "high";
}

function measure(
  code: Measure["code"],
  firstDay: LocalDay,
  endDay: LocalDay,
  [numerator, denominator, eligible]: readonly [number, number, number],
  { minimumCoverageShare, version }: MeasureThresholds,
): Measure {
  const counted = { code, firstDay, endDay, numerator, denominator, eligible, ruleVersion: version };
  if (eligible === 0) return { ...counted, absentReason: "nothing-asked" };
  const coverage = denominator / eligible;
  const bounds = { lowest: numerator / eligible, highest: (numerator + eligible - denominator) / eligible };
  if (denominator === 0) return { ...counted, coverage, bounds, absentReason: "nothing-known" };
  if (coverage < minimumCoverageShare) return { ...counted, coverage, bounds, absentReason: "low-coverage" };
  return { ...counted, coverage, bounds, ratio: numerator / denominator };
}
