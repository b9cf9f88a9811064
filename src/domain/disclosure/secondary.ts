import { isSafe, unsafeTargets } from "./audit.ts";
import type { Intruder, Publication } from "./intruder.ts";
import { type Candidate, leastHiding, type Need } from "./least-hiding.ts";
import type { IntervalSolver } from "./linear-system.ts";
import type { DisclosurePolicy } from "./policy.ts";
import { smallestCause } from "./smallest-cause.ts";
import type { CellKey } from "./table.ts";
import type { Target } from "./target.ts";
import type { Witnesses } from "./witness.ts";

/** A release as the search sees it: what everything is once these cells are hidden beside the primary ones. */
export interface Puzzle {
  /** The cells that may be hidden for others' sake, sorted by key. */
  readonly candidates: readonly Candidate[];
  /** This release with these cells hidden, and all earlier ones. */
  readonly publish: (hidden: ReadonlySet<CellKey>) => readonly Publication[];
  readonly policy: DisclosurePolicy;
  readonly solver: IntervalSolver;
  /** Tables known to fit; the search adds to them. */
  readonly witnesses: Witnesses;
}

/** How far a search may go before it gives up: counted, not timed, so that every machine decides alike. */
export interface SearchBounds {
  /** Choices that the exact search tries. */
  readonly rounds: number;
  /** Cells that the exact search looks at, all of them whenever it asks whether a choice is safe. */
  readonly looks: number;
  /** Branches that the exact search looks at for each choice; beyond, it goes on with the best that it has seen. */
  readonly nodes: number;
  /** Cells that the rule of thumb hides. */
  readonly hides: number;
}

/** What to hide besides, and whether nothing else would hide fewer persons; or that nothing helps, or that the bounds were reached. */
export type Hiding =
  | { readonly kind: "found"; readonly hidden: readonly CellKey[]; readonly least: boolean }
  | { readonly kind: "impossible"; readonly target: Target }
  | { readonly kind: "given-up" };

/**
 * The cells that hide the fewest persons so that every target is safe; ties go by number of cells, then by key.
 *
 * Hiding more never narrows what an intruder can work out. So when a target is unsafe although `S` is hidden, every
 * answer hides some cell outside `S`; the smallest set of shown cells that still makes it unsafe is the need. The
 * cheapest choice that meets all needs found so far is tried next, and the first that passes is the cheapest of all.
 * (Implicit hitting sets; for this, sums and differences must be targets whatever is chosen, see `target.ts`.)
 */
export function leastSecondary({ publish, ...rest }: Puzzle, bounds: SearchBounds): Hiding {
  let looks = 0;
  const puzzle: Puzzle = {
    ...rest,
    publish: (hidden) => {
      const publications = publish(hidden);
      looks += publications.reduce((sum, { cells }) => sum + cells.length, 0);
      return publications;
    },
  };
  const needs: Need[] = [];
  let latest: Target = { kind: "cell", plus: [], minus: [], width: puzzle.policy.minimumWidth };
  for (let round = 0; round < bounds.rounds; round += 1) {
    const choice = leastHiding(puzzle.candidates, needs, bounds.nodes);
    if (choice === "given-up") return { kind: "given-up" };
    if (choice === undefined) return { kind: "impossible", target: latest };
    const hidden = new Set(choice.hidden);
    const unsafe = fewOf(unsafeTargets(puzzle.publish(hidden), puzzle.policy, puzzle.solver, puzzle.witnesses));
    if (unsafe.length === 0) return { kind: "found", hidden: choice.hidden, least: choice.proven };
    for (const { target, intruder } of unsafe) {
      if (looks > bounds.looks) return { kind: "given-up" };
      const need = needOf(puzzle, hidden, target, intruder);
      if (need.when === undefined && need.oneOf.length === 0) return { kind: "impossible", target };
      needs.push(need);
      latest = target;
    }
  }
  return { kind: "given-up" };
}

/** A few at a time: a cell hidden for the first often makes the next safe as well. */
function fewOf<T>(unsafe: readonly T[]): readonly T[] {
  return unsafe.slice(0, 4);
}

function needOf(puzzle: Puzzle, hidden: ReadonlySet<CellKey>, target: Target, intruder: Intruder): Need {
  const keys = puzzle.candidates.map(({ key }) => key);
  const others = keys.filter((key) => !hidden.has(key));
  const oneOf = smallestCause(others, (shown) => {
    const all = new Set(keys);
    for (const key of shown) all.delete(key);
    return !stillSafe(puzzle, all, target, intruder);
  });
  const [key] = target.plus;
  const chosen = target.kind === "cell" && key !== undefined && hidden.has(key) && isOnlyChosen(puzzle, key);
  return chosen ? { when: key, oneOf } : { oneOf };
}

/** Hidden by this choice alone: with nothing chosen, no release hides it. */
function isOnlyChosen(puzzle: Puzzle, key: CellKey): boolean {
  return !puzzle.publish(new Set()).some(({ cells }) => cells.some((cell) => cell.key === key && cell.hidden));
}

function stillSafe(puzzle: Puzzle, hidden: ReadonlySet<CellKey>, target: Target, intruder: Intruder): boolean {
  const publications = puzzle.publish(hidden);
  return isSafe(target, intruder, publications, puzzle.policy, puzzle.solver, puzzle.witnesses);
}
