import type { IdentifierTrust } from "./identifier-authority.ts";
import { type IdentityVerdict, isStrongDoubt } from "./identity-doubt.ts";

/** What a message that asks for a merge found: ids of the records in force, where there are any. */
export interface MergeAsked {
  /** `merge` of two records (A40), or another `number` for one (A47), which never makes one record of two. */
  readonly of: "merge" | "number";
  readonly survivorId?: string;
  readonly survivorTrust: IdentifierTrust;
  readonly retiredId?: string;
  readonly retiredTrust: IdentifierTrust;
  /** How the two records compare, or the retired one with what the message tells where no other is here. */
  readonly verdict?: IdentityVerdict;
  /** A person has looked at the two and said that they are two people. */
  readonly saidToDiffer?: boolean;
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
  | { readonly kind: "doubt"; readonly survivorId: string; readonly retiredId: string }
  /** The old number leads to a record that the message does not describe: a person must look first. */
  | { readonly kind: "doubtful-number"; readonly patientId: string };

/**
 * Two records are merged where nothing strong speaks against it, or where both numbers are of authorities that name one person
 * for good: then the sender knows. Nothing is where a person has said that they are two. A wrong merge mixes two people's therapy
 * without a sound, so all else waits for a person (docs/decisions/0010-messages-and-merges.md).
 */
export function decideMerge(asked: MergeAsked): MergeDecision {
  const { survivorId, retiredId, verdict } = asked;
  if (retiredId === undefined || retiredId === survivorId) {
    return { kind: "note-former", ...(survivorId === undefined ? {} : { survivorId }) };
  }
  const strong = verdict !== undefined && isStrongDoubt(verdict);
  const agrees = verdict?.agrees === true;
  if (survivorId === undefined) {
    // The record takes the names of the message: with the wrong record they would be another person's.
    const isDoubtful = asked.retiredTrust === "certain" ? strong : !agrees;
    return { kind: isDoubtful ? "doubtful-number" : "renumber", patientId: retiredId };
  }
  const bothCertain = asked.survivorTrust === "certain" && asked.retiredTrust === "certain";
  const mayMerge = asked.of === "merge" && asked.saidToDiffer !== true;
  // A number that is only claimed needs names and birth date behind it.
  if (!mayMerge || !(bothCertain || agrees)) return { kind: "doubt", survivorId, retiredId };
  return { kind: "merge", survivorId, retiredId, contradicts: strong };
}
