/** An instant in milliseconds since 1970-01-01T00:00:00Z. */
export type EpochMs = number;

/** A patient's calendar date, `YYYY-MM-DD`; such strings sort as dates do. */
export type LocalDay = string;

/** Half-open range of instants: `startMs` is inside, `endMs` is not. */
export interface TimeRange {
  readonly startMs: EpochMs;
  readonly endMs: EpochMs;
}

/** Half-open range of local days; `endDay` absent means open. */
export interface DayRange {
  readonly firstDay: LocalDay;
  readonly endDay?: LocalDay;
}
