import type { DayRange, LocalDay } from "./time.ts";

/** Half-open clock range that a session may be asked for; `from` later than `to` wraps past midnight. `HH:MM`. */
export interface DayPart {
  readonly code: string;
  readonly from: string;
  readonly to: string;
}

/** How often a settings profile is asked for. */
export type Schedule =
  | { readonly kind: "day-parts"; readonly parts: readonly string[] }
  | { readonly kind: "count"; readonly timesPerDay: number }
  | { readonly kind: "when-needed" };

/** One prescribed set of pressures and timings. Exsufflation pressure is negative. */
export interface SettingsProfile {
  /** id of the DeviceRequest. */
  readonly profileId: string;
  readonly role: "usual" | "chest-infection" | (string & {});
  /** Which profile slot of the device holds it. */
  readonly slot?: string;
  readonly schedule: Schedule;
  readonly insufflationPressureCmH2O?: number;
  readonly exsufflationPressureCmH2O?: number;
  readonly insufflationSeconds?: number;
  readonly exsufflationSeconds?: number;
  readonly pauseSeconds?: number;
  readonly cyclesPerSet?: number;
  readonly setsPerSession?: number;
}

/** The therapy plan in force over `[firstDay, endDay)`; versions of one patient never overlap. */
export interface Plan extends DayRange {
  /** id of the CarePlan. */
  readonly planId: string;
  readonly status: "active" | "on-hold" | "completed" | "revoked" | "draft";
  /** Days from which the plan asks nothing although it is in force. */
  readonly holds: readonly DayRange[];
  readonly profiles: readonly SettingsProfile[];
  readonly reviewDay?: LocalDay;
}
