import type { EpochMs, LocalDay, TimeRange } from "./time.ts";

/** A machine with a patient, or a part fitted to a machine, over a half-open time; `endMs` absent while it lasts. */
export interface DeviceUse {
  /** id of the DeviceUseStatement. */
  readonly useId: string;
  readonly deviceId: string;
  readonly patientId: string;
  readonly startMs: EpochMs;
  readonly endMs?: EpochMs;
  readonly onHold?: boolean;
}

/** A machine with a patient, with what reviews ask of it beside the times. */
export interface MachineUse extends DeviceUse {
  /** Start of the patient's last session on it ever, tests left out; absent when there is none. */
  readonly lastSessionStartMs?: EpochMs;
  readonly serviceDueDay?: LocalDay;
}

/** How far a device's clock was ahead of the reader's (negative: behind) when its memory was read. */
export interface ClockCheck {
  /** id of the DocumentReference of the upload. */
  readonly uploadId: string;
  readonly deviceId: string;
  readonly readMs: EpochMs;
  readonly driftMs: number;
}

/** Half-open times for which an upload vouches: the memory was read in full for these. */
export interface CoverageRange extends TimeRange {
  readonly deviceId: string;
  /** id of the DocumentReference of the upload. */
  readonly uploadId: string;
}

/** A machine or a part that wears. */
export interface DeviceFacts {
  readonly deviceId: string;
  /** `machine`, or the part kind's code. */
  readonly kind: string;
  /** The machine a part belongs to. */
  readonly parentId?: string;
  /** `system|value` of each identifier, serial number included under its own system. */
  readonly identifiers: readonly string[];
  readonly active: boolean;
  readonly serviceDueDay?: LocalDay;
}

/** The use that an instant falls into: who had the device then; undefined when nobody had it. */
export function useAt(uses: readonly DeviceUse[], atMs: EpochMs): DeviceUse | undefined {
  return uses.find((use) => use.startMs <= atMs && (use.endMs === undefined || atMs < use.endMs));
}
