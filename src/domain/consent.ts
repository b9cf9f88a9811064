import type { EpochMs } from "./time.ts";

/** What one rule of a Consent denies, from when on and until when. */
export interface ConsentDenial {
  /** id of the Consent. */
  readonly consentId: string;
  /** Place of the rule in the Consent, counted from 0. */
  readonly position: number;
  readonly patientId: string;
  readonly startMs: EpochMs;
  /** Infinity where it has no end. */
  readonly endMs: EpochMs;
  /** Names of those that it denies; everybody that records are shared with where absent. */
  readonly deniedTo?: readonly string[];
  /** Resource types that it denies; every type where absent. */
  readonly types?: readonly string[];
  /** Exceptions as `name/type`; `any` stands for every name or type. */
  readonly permitted: readonly string[];
}
