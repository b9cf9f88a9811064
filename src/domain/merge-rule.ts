import type { IdentifierTrust } from "./identifier-authority.ts";
import { type IdentityVerdict, isStrongDoubt } from "./identity-doubt.ts";

/** What a message that asks for a merge found: ids of the records in force, where there are any. */
export interface MergeAsked {
  readonly survivorId?: string;
  readonly survivorTrust: IdentifierTrust;
  readonly retiredId?: string;
  readonly retiredTrust: IdentifierTrust;
  /** How the two records compare; absent where one of them is not here. */
  readonly verdict?: IdentityVerdict;
}

/** What is done about it. */
export type MergeDecision =
  /** Two records become one. */
  | { readonly kind: "merge"; readonly survivorId: string; readonly retiredId: string; readonly contradicts: boolean }
  /** Only the old number is known: its record takes the new one. */
  | { readonly kind: "renumber"; readonly patientId: string }
  /** The old number is not known here: whoever is named survives, and keeps it as a former one. */
  | { readonly kind: "note-former"; readonly survivorId?: string }
  /** A person must look first. */
  | { readonly kind: "doubt"; readonly survivorId: string; readonly retiredId: string };

/**
 * Two records are merged where nothing strong speaks against it, or where both numbers are of authorities that name one person
 * for good: then the sender knows. A wrong merge mixes two people's therapy without a sound, so all else waits for a person
 * (docs/decisions/0010-messages-and-merges.md).
 */
export function decideMerge(asked: MergeAsked): MergeDecision {
  const { survivorId, retiredId, verdict } = asked;
  if (retiredId === undefined || retiredId === survivorId) {
    return { kind: "note-former", ...(survivorId === undefined ? {} : { survivorId }) };
  }
  if (survivorId === undefined) return { kind: "renumber", patientId: retiredId };
  const bothCertain = asked.survivorTrust === "certain" && asked.retiredTrust === "certain";
  const strong = verdict !== undefined && isStrongDoubt(verdict);
  // A number that is only claimed needs names and birth date behind it.
  if (!bothCertain && (verdict === undefined || !verdict.agrees)) return { kind: "doubt", survivorId, retiredId };
  return { kind: "merge", survivorId, retiredId, contradicts: strong };
}
