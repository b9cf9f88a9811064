import {
  compareBirthDates,
  compareCities,
  compareFlags,
  compareGender,
  compareLines,
  compareLists,
  compareNames,
  comparePhones,
  type FieldVerdict,
  type FoldedName,
} from "./match-fields.ts";

/** What is compared of one person's record. Texts are folded (lower case, no accents); lists hold former values as well. */
export interface PersonRecord {
  readonly identifiers: readonly PersonIdentifier[];
  readonly names: readonly FoldedName[];
  /** `YYYY`, `YYYY-MM` or `YYYY-MM-DD`. */
  readonly birthDate?: string;
  readonly gender?: string;
  /** Digits only. */
  readonly phones: readonly string[];
  readonly emails: readonly string[];
  readonly postcodes: readonly string[];
  readonly cities: readonly string[];
  /** The lines of each address as one text. */
  readonly lines: readonly string[];
  readonly deceased?: boolean;
  /** False for a record out of use. */
  readonly active: boolean;
}

/** An identifier; `system` is empty where none is stated, `old` says that it is no longer the person's. */
export interface PersonIdentifier {
  readonly system: string;
  readonly value: string;
  readonly old: boolean;
}

/** The fields that are weighed. */
export type MatchField = keyof typeof likelihoods;

/** R4's grades (https://hl7.org/fhir/R4/valueset-match-grade.html). */
export type MatchGrade = "certain" | "probable" | "possible" | "certainly-not";

/** One field's part in the score: `bits` were added to the log odds. */
export interface MatchReason {
  readonly field: MatchField;
  readonly verdict: FieldVerdict["verdict"];
  readonly bits: number;
}

/** How sure it is, 0 to 1, that two records are of one person; why stands in `reasons`, one for each field. */
export interface MatchAnswer {
  readonly score: number;
  readonly grade: MatchGrade;
  readonly reasons: readonly MatchReason[];
}

/** Whether an equal identifier of this system names one person for good. */
export type TrustedSystem = (system: string) => boolean;

/**
 * For each field how often it agrees in records of the same person, and of two different ones: m and u of I. P. Fellegi
 * and A. B. Sunter, A Theory for Record Linkage, JASA 64 (1969), 1183–1210. The figures are our choice (common practice,
 * no published source): docs/decisions/0005-patient-match.md.
 */
export const likelihoods = {
  identifier: { same: 0.99, different: 0.000001 },
  family: { same: 0.95, different: 0.01 },
  given: { same: 0.9, different: 0.02 },
  birthDate: { same: 0.97, different: 0.0003 },
  gender: { same: 0.98, different: 0.5 },
  phone: { same: 0.6, different: 0.002 },
  email: { same: 0.6, different: 0.001 },
  postcode: { same: 0.8, different: 0.01 },
  city: { same: 0.85, different: 0.1 },
  line: { same: 0.6, different: 0.01 },
  deceased: { same: 0.98, different: 0.9 },
} as const;

/** Odds before anything is compared: one in ten thousand; our choice, as above. */
const priorBits = Math.log2(0.0001 / (1 - 0.0001));

/** Least score of each grade; our choice, as above. */
export const leastScores = { certain: 0.98, probable: 0.9, possible: 0.002 } as const;

/** Compares two records; which of them is asked for and which is stored makes no difference. */
export function matchPersons(
  one: PersonRecord,
  other: PersonRecord,
  isTrusted: TrustedSystem = () => true,
): MatchAnswer {
  const identifiers = compareIdentifiers(one.identifiers, other.identifiers, isTrusted);
  const { family, given } = compareNames(one.names, other.names);
  const verdicts: readonly [MatchField, FieldVerdict][] = [
    ["family", family],
    ["given", given],
    ["birthDate", compareBirthDates(one.birthDate, other.birthDate)],
    ["gender", compareGender(one.gender, other.gender)],
    ["phone", comparePhones(one.phones, other.phones)],
    ["email", compareLists(one.emails, other.emails)],
    ["postcode", compareLists(one.postcodes, other.postcodes)],
    ["city", compareCities(one.cities, other.cities)],
    ["line", compareLines(one.lines, other.lines)],
    ["deceased", compareFlags(one.deceased, other.deceased)],
  ];
  const reasons = [
    identifiers.reason,
    ...verdicts.map(([field, verdict]) => ({ field, verdict: verdict.verdict, bits: bitsOf(field, verdict) })),
  ];
  const bits = reasons.reduce((sum, reason) => sum + reason.bits, priorBits);
  const most = ceiling({ ...identifiers, given }, reasons, one.active && other.active);
  const score = Math.max(most / (1 + 2 ** -bits), identifiers.equal ? leastScores.possible : 0);
  return { score, grade: gradeOf(score), reasons };
}

/** The grade of a score. */
export function gradeOf(score: number): MatchGrade {
  if (score >= leastScores.certain) return "certain";
  if (score >= leastScores.probable) return "probable";
  return score >= leastScores.possible ? "possible" : "certainly-not";
}

function bitsOf(field: MatchField, { verdict, share }: FieldVerdict): number {
  if (verdict === "missing") return 0;
  const { same, different } = likelihoods[field];
  const [agreement, disagreement] = [Math.log2(same / different), Math.log2((1 - same) / (1 - different))];
  return disagreement + share * (agreement - disagreement);
}

interface IdentifierVerdict {
  /** A current identifier of a trusted system is equal. */
  readonly equal: boolean;
  /** In some trusted system both have current identifiers and none is equal, not even to a former one. */
  readonly contradicted: boolean;
  readonly reason: MatchReason;
}

/** An equal value without a system, of a system not trusted, or no longer in use counts half and makes nothing certain. */
const doubtfulShare = 0.5;

function compareIdentifiers(
  one: readonly PersonIdentifier[],
  other: readonly PersonIdentifier[],
  isTrusted: TrustedSystem,
): IdentifierVerdict {
  const strong = ({ system, old }: PersonIdentifier) => system !== "" && !old && isTrusted(system);
  const key = ({ system, value }: PersonIdentifier) => `${system}\n${value}`;
  const [ours, theirs] = [one.filter(strong), other.filter(strong)];
  const systems = new Set(ours.map(({ system }) => system));
  const shared = [...new Set(theirs.map(({ system }) => system))].filter((system) => systems.has(system));
  const ourKeys = new Set(ours.map(key));
  const equalSystems = new Set(theirs.filter((id) => ourKeys.has(key(id))).map(({ system }) => system));
  const equal = equalSystems.size > 0;
  const anyOfOurs = new Set(one.map(key));
  const explained = new Set(other.filter((id) => anyOfOurs.has(key(id))).map(({ system }) => system));
  const contradicted = shared.some((system) => !explained.has(system));
  const bits =
    (equal ? bitsOf("identifier", { verdict: "agrees", share: 1 }) : 0) +
    (contradicted ? bitsOf("identifier", { verdict: "disagrees", share: 0 }) : 0);
  if (equal || contradicted) {
    return { equal, contradicted, reason: { field: "identifier", verdict: equal ? "agrees" : "disagrees", bits } };
  }
  const doubtful = one.some((a) => other.some((b) => a.value === b.value && isOneSystem(a.system, b.system)));
  const verdict: FieldVerdict = doubtful ? { verdict: "near", share: doubtfulShare } : { verdict: "missing", share: 0 };
  const reason = { field: "identifier", verdict: verdict.verdict, bits: bitsOf("identifier", verdict) } as const;
  return { equal, contradicted, reason };
}

function isOneSystem(one: string, other: string): boolean {
  return one === other || one === "" || other === "";
}

// What a score can reach at most: below the least score of the grade above.
const atMost = { certain: 1, probable: 0.97, possible: 0.85, faintly: 0.4, not: 0.001 } as const;

/** Share of a given name's agreement from which it is a slip of the pen and not a twin's name. */
const slipOfThePen = 0.69;

/**
 * How high contradictions and gaps let a score come, whatever else agrees. Certain needs an equal identifier and a name or
 * birth date beside it. Without an equal identifier, probable needs given name and birth date: twins share all but the
 * first, a father and son of one name all but the second.
 */
function ceiling(
  { equal, contradicted, given }: IdentifierVerdict & { readonly given: FieldVerdict },
  reasons: readonly MatchReason[],
  inUse: boolean,
): number {
  const verdictOf = (field: MatchField) => reasons.find((reason) => reason.field === field)?.verdict;
  const personal = (["family", "given", "birthDate"] as const).map(verdictOf);
  const contradictions = personal.filter((verdict) => verdict === "disagrees").length + (contradicted ? 1 : 0);
  const birthDate = verdictOf("birthDate");
  if (equal) {
    const isBacked = personal.includes("agrees") && birthDate !== "near" && inUse;
    const steps = [isBacked ? atMost.certain : atMost.probable, atMost.probable, atMost.possible];
    return steps[contradictions] ?? atMost.faintly;
  }
  const isKnown = given.share >= slipOfThePen && (birthDate === "agrees" || birthDate === "near");
  const steps = [isKnown ? atMost.probable : atMost.possible, atMost.possible, atMost.faintly];
  return steps[contradictions] ?? atMost.not;
}
