import type { CellKey } from "./table.ts";

/** A cell that may be hidden, and the persons that hiding it hides. */
export interface Candidate {
  readonly key: CellKey;
  readonly persons: number;
}

/** At least one of `oneOf` must be hidden; with `when`, only if that cell is hidden itself. */
export interface Need {
  readonly when?: CellKey;
  readonly oneOf: readonly CellKey[];
}

/** The cells to hide, sorted, and the persons in them. */
export interface Choice {
  readonly hidden: readonly CellKey[];
  readonly persons: number;
  /** Whether every branch was looked at, so that there is no better choice. */
  readonly proven: boolean;
}

/**
 * The choice that meets every need and hides the fewest persons; among equals the fewest cells, then the first in the
 * order of keys. Branch and bound: an unmet need is met by each of its cells in turn, and a branch ends where what it
 * hides, with the least that needs without a common cell still cost, exceeds the best. After `mostNodes`
 * branches the best so far is the answer, unproven. Undefined: nothing meets the needs. `given-up`: nothing found so far.
 */
export function leastHiding(
  candidates: readonly Candidate[],
  needs: readonly Need[],
  mostNodes: number,
): Choice | undefined | "given-up" {
  const persons = new Map(candidates.map((candidate) => [candidate.key, candidate.persons]));
  const ordered = needs.map(({ oneOf, ...need }) => ({ ...need, oneOf: byCost(oneOf, persons) }));
  let best: Pick<Choice, "hidden" | "persons"> | undefined;
  let nodes = 0;

  function visit(hidden: ReadonlySet<CellKey>, barred: ReadonlySet<CellKey>, cost: number): void {
    nodes += 1;
    if (nodes > mostNodes) return;
    const unmet = ordered.filter((need) => isUnmet(need, hidden));
    if (unmet.length === 0) {
      const choice = { hidden: [...hidden].sort(), persons: cost };
      if (best === undefined || isBefore(choice, best)) best = choice;
      return;
    }
    if (best !== undefined && cost + costOfDisjoint(unmet, barred, persons) > best.persons) return;
    const tried = new Set(barred);
    for (const key of narrowest(unmet, barred)) {
      if (tried.has(key)) continue;
      visit(new Set([...hidden, key]), tried, cost + (persons.get(key) ?? 0));
      // Every choice with this cell has been looked at.
      tried.add(key);
    }
  }

  visit(new Set(), new Set(), 0);
  const proven = nodes <= mostNodes;
  if (best === undefined) return proven ? undefined : "given-up";
  return { hidden: best.hidden, persons: best.persons, proven };
}

function isUnmet({ when, oneOf }: Need, hidden: ReadonlySet<CellKey>): boolean {
  return (when === undefined || hidden.has(when)) && !oneOf.some((key) => hidden.has(key));
}

/** The unmet need with the fewest ways left, which makes the smallest tree. */
function narrowest(unmet: readonly Need[], barred: ReadonlySet<CellKey>): readonly CellKey[] {
  const ways = unmet.map(({ oneOf }) => oneOf.filter((key) => !barred.has(key)));
  return ways.reduce((least, way) => (way.length < least.length ? way : least));
}

/** A lower bound: needs that share no cell must each be paid for. */
function costOfDisjoint(unmet: readonly Need[], barred: ReadonlySet<CellKey>, persons: ReadonlyMap<CellKey, number>) {
  const used = new Set<CellKey>();
  let cost = 0;
  for (const { oneOf } of unmet) {
    const ways = oneOf.filter((key) => !barred.has(key));
    if (ways.some((key) => used.has(key))) continue;
    for (const key of ways) used.add(key);
    cost += Math.min(...ways.map((key) => persons.get(key) ?? 0));
  }
  return cost;
}

function isBefore(left: Pick<Choice, "hidden" | "persons">, right: Pick<Choice, "hidden" | "persons">): boolean {
  if (left.persons !== right.persons) return left.persons < right.persons;
  if (left.hidden.length !== right.hidden.length) return left.hidden.length < right.hidden.length;
  return left.hidden.join("\n") < right.hidden.join("\n");
}

function byCost(keys: readonly CellKey[], persons: ReadonlyMap<CellKey, number>): readonly CellKey[] {
  return [...keys].sort((a, b) => (persons.get(a) ?? 0) - (persons.get(b) ?? 0) || (a < b ? -1 : 1));
}
