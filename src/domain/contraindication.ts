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
