import type { DayRange, EpochMs, LocalDay } from "./time.ts";

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
  /** id of the DeviceRequest that this one replaces (`priorRequest`). */
  readonly priorId?: string;
  /** First day on which it holds, when later than its plan's. Settings changed in the middle of a day: that day. */
  readonly fromDay?: LocalDay;
  /** First day on which it no longer holds. On that day, the day of the change, both its settings and the new ones count as prescribed. */
  readonly untilDay?: LocalDay;
}

/** A clinician's decision to go on although a contraindication is flagged, with the reason that must be given. */
export interface ContraindicationOverride {
  readonly flagId: string;
  readonly reason: string;
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
  /** The moment it came into force, where its period states a time; day parts that began before are the plan's before. */
  readonly startMs?: EpochMs;
  /** id of the CarePlan that this one replaces, which ends where this one begins. */
  readonly replacesId?: string;
  readonly overrides?: readonly ContraindicationOverride[];
  /** A person's decision that the baseline of the change signal begins anew on this day. */
  readonly baselineDay?: LocalDay;
}
