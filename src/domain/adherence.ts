import type { DayState } from "./day-state.ts";
import type { Thresholds } from "./thresholds.ts";
import type { LocalDay } from "./time.ts";

/** Every measure of adherence by its name; there is no figure called adherence. */
export type MeasureCode =
  | "days-used"
  | "sessions-completed"
  | "sessions-recorded"
  | "dose"
  | "settings-concordance"
  | "all-facets";

/** A share with everything needed to read it honestly. */
export interface Measure {
  readonly code: MeasureCode;
  /** What numerator, denominator and eligible are numbers of. */
  readonly counts: "days" | "slots" | "sessions" | "cycles";
  readonly firstDay: LocalDay;
  readonly endDay: LocalDay;
  readonly numerator: number;
  /** What is known of the eligible. */
  readonly denominator: number;
  /** Eligible, unknown ones included. */
  readonly eligible: number;
  /** denominator / eligible; absent when nothing was eligible. */
  readonly coverage?: number;
  /** numerator / denominator; absent with a reason when it would mislead. */
  readonly ratio?: number;
  readonly absentReason?: "nothing-asked" | "nothing-known" | "low-coverage";
  /** Share if everything unknown were missed … done; absent when nothing was eligible. */
  readonly bounds?: { readonly lowest: number; readonly highest: number };
  readonly ruleVersion: string;
}

type MeasureThresholds = Pick<Thresholds, "minimumCoverageShare" | "version">;

/** What is counted over a window: how many, of how many known, of how many eligible. */
export interface Counted {
  readonly numerator: number;
  readonly denominator: number;
  readonly eligible: number;
}

const counting: Readonly<Record<MeasureCode, Measure["counts"]>> = {
  "days-used": "days",
  "sessions-completed": "slots",
  "sessions-recorded": "slots",
  dose: "cycles",
  "settings-concordance": "sessions",
  "all-facets": "days",
};

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
  const counted = sum(within(days, firstDay, endDay), (day) => ({
    numerator: day.state === "used" ? 1 : 0,
    denominator: day.state === "unknown" ? 0 : 1,
    eligible: 1,
  }));
  return measure("days-used", firstDay, endDay, counted, thresholds);
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
  const counted = sum(within(days, firstDay, endDay), (day) => ({
    numerator: day.done,
    denominator: day.done + day.missed,
    eligible: day.asked,
  }));
  return measure("sessions-completed", firstDay, endDay, counted, thresholds);
}

/**
 * All qualifying sessions on eligible, known days, for each known slot of these days: more than was asked counts, so it
 * may pass 1. Own definition of this service.
 */
export function sessionsRecorded(
  days: readonly DayState[],
  firstDay: LocalDay,
  endDay: LocalDay,
  thresholds: MeasureThresholds,
): Measure {
  const counted = sum(within(days, firstDay, endDay), (day) => ({
    numerator: day.asked > 0 ? day.sessions : 0,
    denominator: day.done + day.missed,
    eligible: day.asked,
  }));
  return measure("sessions-recorded", firstDay, endDay, counted, thresholds);
}

/** The eligible days of a window. */
export function within<Day extends Pick<DayState, "day" | "eligible">>(
  days: readonly Day[],
  firstDay: LocalDay,
  endDay: LocalDay,
): Day[] {
  return days.filter((day) => day.eligible && day.day >= firstDay && day.day < endDay);
}

/** What each day adds to a measure, added up. */
export function sum<Day>(days: readonly Day[], of: (day: Day) => Counted): Counted {
  let [numerator, denominator, eligible] = [0, 0, 0];
  for (const day of days) {
    const counted = of(day);
    numerator += counted.numerator;
    denominator += counted.denominator;
    eligible += counted.eligible;
  }
  return { numerator, denominator, eligible };
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

/**
 * A measure of what was counted. Where more was done than asked (a ratio over 1), nobody knows how often what is unknown
 * was done: the highest bound then takes it as done once, or as often as the known, whichever is more.
 */
export function measure(
  code: MeasureCode,
  firstDay: LocalDay,
  endDay: LocalDay,
  counted: Counted,
  { minimumCoverageShare, version }: MeasureThresholds,
): Measure {
  const { numerator, denominator, eligible } = counted;
  const shared = {
    code,
    counts: counting[code],
    firstDay,
    endDay,
    numerator,
    denominator,
    eligible,
    ruleVersion: version,
  };
  if (eligible === 0) return { ...shared, absentReason: "nothing-asked" };
  const coverage = denominator / eligible;
  const ratio = denominator === 0 ? 0 : numerator / denominator;
  const highest = Math.max((numerator + eligible - denominator) / eligible, ratio);
  const bounds = { lowest: numerator / eligible, highest };
  if (denominator === 0) return { ...shared, coverage, bounds, absentReason: "nothing-known" };
  if (coverage < minimumCoverageShare) return { ...shared, coverage, bounds, absentReason: "low-coverage" };
  return { ...shared, coverage, bounds, ratio };
}
