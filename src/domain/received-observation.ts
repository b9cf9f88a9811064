import type { ReceivedCode, ReceivedIdentifier } from "./received-person.ts";
import type { EpochMs } from "./time.ts";

/** A value as received, by the kind that OBX-2 names. */
export type ReceivedValue =
  | { readonly kind: "number"; readonly value: number; readonly comparator?: string }
  | { readonly kind: "text"; readonly text: string }
  | { readonly kind: "code"; readonly code: ReceivedCode }
  | { readonly kind: "time"; readonly text: string }
  | { readonly kind: "range"; readonly low?: number; readonly high?: number }
  | { readonly kind: "none" };

/** One measurement of a device as a message tells of it. */
export interface ReceivedObservation {
  /** `OBX[3]`: where it stood. */
  readonly at: string;
  readonly code: ReceivedCode;
  /** OBX-4: which part of the device measured it. */
  readonly subId?: string;
  readonly value: ReceivedValue;
  readonly unit?: ReceivedCode;
  readonly referenceRange?: string;
  /** Codes of HL7 table 0078 and of the device profile. */
  readonly interpretations: readonly string[];
  /** A code of HL7 table 0085. */
  readonly resultStatus: string;
  /** FHIR dateTime with its instant. */
  readonly observed: { readonly text: string; readonly ms: EpochMs };
  readonly device: ReceivedIdentifier;
  /** OBX-21. */
  readonly instance?: ReceivedIdentifier;
  readonly bodySite?: ReceivedCode;
}
