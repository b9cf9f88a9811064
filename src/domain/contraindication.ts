import type { ContraindicationOverride, Plan } from "./prescription.ts";
import type { EpochMs } from "./time.ts";

/** A contraindication flag of one patient; active while `endMs` is absent or later than now. */
export interface Contraindication {
  /** id of the Flag. */
  readonly flagId: string;
  /** Code in the contraindication catalogue, or the flag's own code. */
  readonly code: string;
  readonly title: string;
  readonly class: "absolute" | "relative" | "momentary";
  readonly active: boolean;
  readonly startMs: EpochMs;
  readonly endMs?: EpochMs;
}

/** Whether a flag is in force at an instant: stated active, begun, and not ended. */
export function isInForce({ active, startMs, endMs }: Contraindication, atMs: EpochMs): boolean {
  return active && startMs <= atMs && (endMs === undefined || atMs < endMs);
}

/** A plan's decision to go on in spite of this very flag; another flag of the same kind is not covered. */
export function overrideOf(flag: Contraindication, plan: Plan): ContraindicationOverride | undefined {
  return plan.overrides?.find((one) => one.flagId === flag.flagId && one.reason.trim() !== "");
}
