import { type MatchAnswer, matchPersons, type PersonRecord } from "./patient-match.ts";

/** What two records that should be of one person say of each other, names and birth date alone. */
export interface IdentityVerdict {
  /** Fields that contradict. */
  readonly contradicts: readonly ("family" | "given" | "birthDate")[];
  /** Family name, given name and birth date all agree: enough beside an identifier that is only claimed. */
  readonly agrees: boolean;
}

/** Compares what is known of a person with what is said of them. */
export function identityVerdict(one: PersonRecord, other: PersonRecord): IdentityVerdict {
  const { reasons } = matchPersons(one, other);
  const personal = (["family", "given", "birthDate"] as const).map((field) => ({
    field,
    verdict: reasons.find((reason) => reason.field === field)?.verdict ?? "missing",
  }));
  return {
    contradicts: personal.flatMap(({ field, verdict }) => (verdict === "disagrees" ? [field] : [])),
    agrees: personal.every(({ verdict }) => verdict === "agrees"),
  };
}

/**
 * Whether so much contradicts that it may be somebody else: two of family name, given name and birth date. People change
 * their name, and clerks correct a date; both at once happen when a number was mistyped. Our choice, no published source.
 */
export function isStrongDoubt({ contradicts }: IdentityVerdict): boolean {
  return contradicts.length >= 2;
}

/**
 * Score from which two records are perhaps of one person and a person should look: what equal names and an equal birth date
 * reach where the numbers of one system differ, as they do when somebody was registered twice. Our choice, no published source.
 */
export const leastDuplicateScore = 0.75;

/** Whether a person should look whether these two are one. */
export function mayBeOne({ score }: Pick<MatchAnswer, "score">, least: number = leastDuplicateScore): boolean {
  return score >= least;
}
