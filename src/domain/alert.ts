import type { EpochMs, LocalDay } from "./time.ts";

/** An alert that a device recorded, on corrected time. This service rates none of them. */
export interface RecordedAlert {
  /** id of the Observation. */
  readonly observationId: string;
  readonly patientId: string;
  readonly deviceId: string;
  /** The device's own code. */
  readonly code: string;
  readonly atMs: EpochMs;
  readonly localDay: LocalDay;
}
