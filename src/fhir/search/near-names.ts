const mostNames = 5;
const longestName = 64;

/** Up to five of `known` that were perhaps meant by `name`, nearest first: a part of one another, or two letters apart. */
export function nearNames(name: string, known: readonly string[]): string[] {
  const asked = name.slice(0, longestName).toLowerCase();
  if (asked === "") return [];
  return known
    .map((one) => ({ one, distance: contains(one, asked) ? 1 : editDistance(one.toLowerCase(), asked) }))
    .filter(({ distance }) => distance <= 2)
    .sort((a, b) => a.distance - b.distance || a.one.localeCompare(b.one))
    .slice(0, mostNames)
    .map(({ one }) => one);
}

function contains(one: string, asked: string): boolean {
  return asked.length >= 3 && (one.toLowerCase().includes(asked) || asked.includes(one.toLowerCase()));
}

/** Letters to insert, drop or replace to come from one to the other. */
function editDistance(one: string, other: string): number {
  let row = Array.from({ length: other.length + 1 }, (_, i) => i);
  for (let i = 1; i <= one.length; i += 1) {
    const next = [i];
    for (let j = 1; j <= other.length; j += 1) {
      const replaced = (row[j - 1] ?? 0) + (one[i - 1] === other[j - 1] ? 0 : 1);
      next.push(Math.min(replaced, (row[j] ?? 0) + 1, (next[j - 1] ?? 0) + 1));
    }
    row = next;
  }
  return row[other.length] ?? 0;
}
