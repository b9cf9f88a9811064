/**
 * A smallest part of `items` for which `bad` still holds: leave out any one of them and it holds no longer. `bad` must
 * hold for all items, and whenever it holds for some it must hold for more. Halving (Junker, "QuickXplain", AAAI 2004)
 * asks about as often as the part is long, times the logarithm of the rest.
 */
export function smallestCause<T>(items: readonly T[], bad: (part: readonly T[]) => boolean): readonly T[] {
  if (bad([])) return [];
  return within([], items, false, bad);
}

function within<T>(
  kept: readonly T[],
  items: readonly T[],
  changed: boolean,
  bad: (part: readonly T[]) => boolean,
): readonly T[] {
  if (changed && bad(kept)) return [];
  if (items.length === 1) return items;
  const middle = Math.floor(items.length / 2);
  const [left, right] = [items.slice(0, middle), items.slice(middle)];
  const ofRight = within([...kept, ...left], right, left.length > 0, bad);
  const ofLeft = within([...kept, ...ofRight], left, ofRight.length > 0, bad);
  return [...ofLeft, ...ofRight];
}
