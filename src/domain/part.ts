import type { LocalDay } from "./time.ts";

/** Length in calendar months or in days. */
export type Interval = { readonly months: number } | { readonly days: number };

/** A kind of part that wears, with the rule for its replacement. */
export interface PartKind {
  readonly code: string;
  readonly title: string;
  readonly replaceAfter?: Interval;
  readonly replaceAfterSessions?: number;
  /** Hours of therapy. */
  readonly replaceAfterHours?: number;
  readonly checkAfter?: Interval;
  /** Share of the interval that is left while a chest infection lasts; absent: an infection changes nothing. */
  readonly infectionShare?: number;
  /** To be replaced when a chest infection during which it was fitted is over. */
  readonly replaceAfterInfection?: boolean;
  /** Share of the interval that is left for somebody with a tracheostomy. */
  readonly tracheostomyShare?: number;
  readonly leadDays: number;
  readonly source: string;
}

/** One part fitted to the patient's machine. */
export interface FittedPart {
  /** id of the part's Device. */
  readonly partId: string;
  readonly kind: string;
  /** id of the machine's Device; absent when it is not recorded, which then reads as any machine of the patient. */
  readonly machineId?: string;
  readonly fittedDay: LocalDay;
  /** First day on which the part is no longer fitted; absent while in use. */
  readonly removedDay?: LocalDay;
  /** Reported visibly soiled or damaged on this day. */
  readonly soiledDay?: LocalDay;
  /** The last day on which it was checked. */
  readonly checkedDay?: LocalDay;
  /** Its use before the first day of the picture's sessions; only where its kind has a use limit. */
  readonly earlierUse?: EarlierUse;
}

/** How much a part was used: qualifying sessions, and their hours of therapy. */
export interface PartUse {
  readonly sessions: number;
  readonly hours: number;
}

/** Use of a part before the picture's sessions, with the day on which a limit of its kind was reached by then. */
export interface EarlierUse extends PartUse {
  readonly reachedDay?: LocalDay;
}
