import type { DayRange } from "./time.ts";

/** Days that ask for nothing: half-open local days. */
export interface Absence extends DayRange {
  /** id of the resource that says so. */
  readonly sourceId: string;
  readonly kind: "hospital" | "device-away" | "holiday";
}
