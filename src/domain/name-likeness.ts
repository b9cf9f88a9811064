/** Letters at the start that Winkler's bonus looks at, and what each adds (Winkler 1990). */
const mostPrefixLetters = 4;
const bonusPerPrefixLetter = 0.1;

/**
 * How alike two texts are, 0 to 1, as Jaro measured it (M. A. Jaro, JASA 84 (1989), 414–420): letters they have in common
 * no further apart than half the longer text, less those out of order. 0 where one is empty, also when both are.
 */
export function jaro(one: string, other: string): number {
  const [a, b] = [[...one], [...other]];
  if (a.length === 0 || b.length === 0) return 0;
  const reach = Math.max(0, Math.floor(Math.max(a.length, b.length) / 2) - 1);
  const taken = new Array<boolean>(b.length).fill(false);
  const common: string[] = [];
  a.forEach((letter, i) => {
    const end = Math.min(b.length, i + reach + 1);
    for (let j = Math.max(0, i - reach); j < end; j += 1) {
      if (taken[j] || b[j] !== letter) continue;
      taken[j] = true;
      common.push(letter);
      return;
    }
  });
  if (common.length === 0) return 0;
  const theirs = b.filter((_, j) => taken[j]);
  const outOfOrder = common.filter((letter, i) => letter !== theirs[i]).length / 2;
  const shared = common.length;
  return (shared / a.length + shared / b.length + (shared - outOfOrder) / shared) / 3;
}

/**
 * How alike two names are, 0 to 1: Jaro's measure with Winkler's bonus for an equal start (W. E. Winkler, String
 * Comparator Metrics and Enhanced Decision Rules in the Fellegi-Sunter Model of Record Linkage, 1990). Compares letters
 * as they are: fold case and accents before.
 */
export function nameLikeness(one: string, other: string): number {
  // Which text is looked through first can change which letters pair up; the higher of both makes it symmetric.
  const base = Math.max(jaro(one, other), jaro(other, one));
  const [a, b] = [[...one], [...other]];
  let prefix = 0;
  while (prefix < mostPrefixLetters && a[prefix] !== undefined && a[prefix] === b[prefix]) prefix += 1;
  return base + prefix * bonusPerPrefixLetter * (1 - base);
}
