import { nameLikeness } from "./name-likeness.ts";

/**
 * What two records say of one field. `share` is how much of the agreement counts, 1 for `agrees`, 0 for `disagrees`;
 * of `missing`, where one record says nothing, it counts for nothing.
 */
export interface FieldVerdict {
  readonly verdict: "agrees" | "near" | "disagrees" | "missing";
  readonly share: number;
}

/** A name as records are compared by it: lower case, without accents. An empty family or no given means not stated. */
export interface FoldedName {
  readonly family: string;
  readonly given: readonly string[];
}

const agrees: FieldVerdict = { verdict: "agrees", share: 1 };
const disagrees: FieldVerdict = { verdict: "disagrees", share: 0 };
const missing: FieldVerdict = { verdict: "missing", share: 0 };
const near = (share: number): FieldVerdict => ({ verdict: "near", share });

/** Likeness from which two spellings may be of one name; common practice, no published source. */
export const leastLikeness = 0.88;

// Shares of what nearly agrees; common practice, no published source.
const initialShare = 0.5;
const partShare = 0.6;
const swappedShare = 0.8;
const slipShare = 0.7;
const monthShare = 0.6;
const yearShare = 0.45;

function alike(one: string, other: string): FieldVerdict {
  const likeness = nameLikeness(one, other);
  return likeness < leastLikeness ? disagrees : near(0.4 + (0.5 * (likeness - leastLikeness)) / (1 - leastLikeness));
}

/** The best verdict of all pairs; `missing` where a list is empty. */
function best<T>(one: readonly T[], other: readonly T[], compare: (a: T, b: T) => FieldVerdict): FieldVerdict {
  let found = missing;
  for (const a of one) {
    for (const b of other) {
      const verdict = compare(a, b);
      if (found === missing || verdict.share > found.share) found = verdict;
    }
  }
  return found;
}

/** Parts of a name: spaces, hyphens, dots and apostrophes do not count, `O'Neill` is one part. */
function partsOf(name: string): string[] {
  return name
    .replace(/['’`]/g, "")
    .split(/[\s\-‐‑–.]+/)
    .filter((part) => part !== "");
}

/** A double name is near either of its halves, and agrees with the same halves in the other order. */
export function compareFamily(one: string, other: string): FieldVerdict {
  const [a, b] = [partsOf(one), partsOf(other)];
  if (a.length === 0 || b.length === 0) return missing;
  if ([...a].sort().join("") === [...b].sort().join("")) return agrees;
  const whole = alike(a.join(""), b.join(""));
  const [less, more] = a.length <= b.length ? [a, b] : [b, a];
  // Particles such as "de" or "van" alone are no half of a name.
  const half =
    less.length < more.length && less.some((part) => part.length > 3) && less.every((part) => more.includes(part));
  return half && whole.share < partShare ? near(partShare) : whole;
}

/**
 * Given names: the first counts, and a further one only against a further one. A middle name that the other goes by, an
 * initial and a similar spelling are near. Nicknames are not guessed: `Liz` disagrees with `Elizabeth`.
 */
export function compareGiven(one: readonly string[], other: readonly string[]): FieldVerdict {
  const [a, b] = [one.flatMap(partsOf), other.flatMap(partsOf)];
  const [a1 = "", a2] = a;
  const [b1 = "", b2] = b;
  if (a1 === "" || b1 === "") return missing;
  if (a.join("") === b.join("")) return agrees;
  if (a1 === b1) {
    return a2 === undefined || b2 === undefined || a2[0] === b2[0] ? agrees : near(partShare);
  }
  if (a1.length === 1 || b1.length === 1) return a1[0] === b1[0] ? near(initialShare) : disagrees;
  const first = alike(a1, b1);
  const calledByAnother = a.includes(b1) || b.includes(a1);
  return calledByAnother && first.share < partShare ? near(partShare) : first;
}

/** Family and given names of all names of both records, former ones included; also when someone typed them the wrong way round. */
export function compareNames(
  one: readonly FoldedName[],
  other: readonly FoldedName[],
): { readonly family: FieldVerdict; readonly given: FieldVerdict } {
  const family = best(one, other, (a, b) => compareFamily(a.family, b.family));
  const given = best(one, other, (a, b) => compareGiven(a.given, b.given));
  if (family.verdict === "agrees" || given.verdict === "agrees") return { family, given };
  const swapped = one.some((a) => other.some((b) => isOtherWayRound(a, b)));
  return swapped ? { family: near(swappedShare), given: near(swappedShare) } : { family, given };
}

function isOtherWayRound(a: FoldedName, b: FoldedName): boolean {
  const [firstOfA = "", firstOfB = ""] = [a.given[0], b.given[0]];
  return (
    compareFamily(a.family, firstOfB).verdict === "agrees" && compareFamily(firstOfA, b.family).verdict === "agrees"
  );
}

/**
 * Birth dates as `YYYY`, `YYYY-MM` or `YYYY-MM-DD`. Near: day and month exchanged, two neighbouring digits exchanged,
 * and a date that is only known to the month or the year and holds the other.
 */
export function compareBirthDates(one: string | undefined, other: string | undefined): FieldVerdict {
  if (one === undefined || other === undefined) return missing;
  if (one === other && one.length === 10) return agrees;
  const shorter = Math.min(one.length, other.length);
  if (one.slice(0, shorter) === other.slice(0, shorter)) return near(shorter === 4 ? yearShare : monthShare);
  return shorter === 10 && birthDateSlips(one).includes(other) ? near(slipShare) : disagrees;
}

/** Dates that a full date becomes by one usual slip: day and month exchanged, or two neighbouring digits. Some are in no calendar. */
export function birthDateSlips(date: string): string[] {
  const [year = "", month = "", day = ""] = date.split("-");
  const digits = [...year, ...month, ...day];
  const slips = digits.slice(1).map((digit, i) => {
    const turned = [...digits];
    turned[i + 1] = digits[i] ?? "";
    turned[i] = digit;
    const text = turned.join("");
    return `${text.slice(0, 4)}-${text.slice(4, 6)}-${text.slice(6)}`;
  });
  return [...new Set([`${year}-${day}-${month}`, ...slips])].filter((slip) => slip !== date);
}

/** Administrative gender (https://hl7.org/fhir/R4/valueset-administrative-gender.html); `unknown` is not stated. */
export function compareGender(one: string | undefined, other: string | undefined): FieldVerdict {
  if (one === undefined || other === undefined || one === "unknown" || other === "unknown") return missing;
  return one === other ? agrees : disagrees;
}

/** One equal value in both lists agrees; lists without one disagree. */
export function compareLists(one: readonly string[], other: readonly string[]): FieldVerdict {
  return best(one, other, (a, b) => (a === b ? agrees : disagrees));
}

/** Town names, similarly spelled ones near. */
export function compareCities(one: readonly string[], other: readonly string[]): FieldVerdict {
  return best(one, other, (a, b) => (a === b ? agrees : alike(a, b)));
}

/** Address lines, each address as one text: other numbers are another house, however alike the rest. */
export function compareLines(one: readonly string[], other: readonly string[]): FieldVerdict {
  return best(one, other, (a, b) => {
    if (a === b) return agrees;
    return numbersOf(a) === numbersOf(b) ? alike(a, b) : disagrees;
  });
}

function numbersOf(line: string): string {
  return (line.match(/\d+/g) ?? []).sort().join(" ");
}

/** Phone numbers as digits: with and without the country's prefix or the leading zero they are the same number. */
export function comparePhones(one: readonly string[], other: readonly string[]): FieldVerdict {
  return best(one, other, (a, b) => (isSamePhone(a, b) ? agrees : disagrees));
}

/** Shortest national number, and longest country code (ITU-T E.164: one to three digits). */
const fewestDigits = 7;
const longestCountryCode = 3;

function isSamePhone(a: string, b: string): boolean {
  const [short = "", long = ""] = [a.replace(/^0+/, ""), b.replace(/^0+/, "")].sort((x, y) => x.length - y.length);
  if (short === long) return short !== "";
  const more = long.length - short.length;
  return short.length >= fewestDigits && more > 0 && more <= longestCountryCode && long.endsWith(short);
}

/** A flag that both records state. */
export function compareFlags(one: boolean | undefined, other: boolean | undefined): FieldVerdict {
  if (one === undefined || other === undefined) return missing;
  return one === other ? agrees : disagrees;
}
