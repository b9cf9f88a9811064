import type { LocalDay } from "./time.ts";

/** Length in calendar months or in days. */
export type Interval = { readonly months: number } | { readonly days: number };

/** A kind of part that wears, with the rule for its replacement. */
export interface PartKind {
  readonly code: string;
  readonly title: string;
  readonly replaceAfter?: Interval;
  readonly replaceAfterSessions?: number;
  readonly checkAfter?: Interval;
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
}
