import type { EpochMs, LocalDay } from "./time.ts";

/** How a cycle is started. */
export type TriggerMode = "manual" | "automatic-timed" | "patient-triggered" | "insufflation-only";

/** Median, 5th and 95th percentile over the cycles of one session. */
export interface Spread {
  readonly median: number;
  readonly p5?: number;
  readonly p95?: number;
}

/** One cycle as the device recorded it. */
export interface CycleRecord {
  readonly peakInsufflationPressureCmH2O?: number;
  readonly peakExsufflationPressureCmH2O?: number;
  readonly insufflatedVolumeMillilitres?: number;
  readonly peakCoughFlowLitresPerMinute?: number;
  readonly triggered?: boolean;
}

/** What one session measured. Only start and end are sure; published reports often lack the rest. Exsufflation pressures are negative. */
export interface SessionMeasures {
  readonly profileSlot?: string;
  readonly triggerMode?: TriggerMode;
  readonly cyclesDelivered?: number;
  readonly cyclesTriggered?: number;
  readonly setInsufflationPressureCmH2O?: number;
  readonly setExsufflationPressureCmH2O?: number;
  readonly setInsufflationSeconds?: number;
  readonly setExsufflationSeconds?: number;
  readonly setPauseSeconds?: number;
  readonly achievedInsufflationPressureCmH2O?: Spread;
  readonly achievedExsufflationPressureCmH2O?: Spread;
  /**
   * Cycles that state a pressure and whose peak, of insufflation or exsufflation, fell short of the set pressure by more
   * than the tolerance in force when the record came in; present only where the record states its cycles.
   */
  readonly cyclesShortOfPressure?: number;
  readonly insufflatedVolumeMillilitres?: number;
  readonly peakCoughFlowLitresPerMinute?: number;
  readonly leakLitresPerMinute?: number;
  readonly lowestSpo2Percent?: number;
  readonly meanSpo2Percent?: number;
  readonly pulsePerMinute?: number;
  readonly stopReason?: string;
  /** Marked by the sender as a test, not therapy (FHIR security label HTEST). */
  readonly test?: boolean;
}

/** One session as it stands in the device's memory: times are the device's own clock. */
export interface SessionRecord extends SessionMeasures {
  readonly sequenceNumber?: number;
  /** As received; without an offset it is a reading of a clock whose zone nobody stated. */
  readonly start: string;
  readonly end: string;
  readonly cycles?: readonly CycleRecord[];
}

/** The compact fact that computations read: one session of one patient, on corrected time. */
export interface Session extends SessionMeasures {
  readonly sessionId: string;
  readonly patientId: string;
  readonly deviceId: string;
  readonly sequenceNumber?: number;
  readonly startMs: EpochMs;
  readonly endMs: EpochMs;
  /** The device's own, uncorrected start, as received. */
  readonly deviceStart: string;
  readonly localDay: LocalDay;
  /** Code of the tenant's day part the session counts to; absent when it started outside all of them. */
  readonly dayPart?: string;
  /** When the memory was read; among readings of the same record the earliest settles the clock correction. */
  readonly readMs: EpochMs;
  /** SHA-256 (hex) of the record as canonical JSON, device clock times included: tells a resend from a contradiction. */
  readonly recordDigest: string;
}
