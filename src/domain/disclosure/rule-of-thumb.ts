import { verdictOf } from "./audit.ts";
import type { Interval } from "./figure.ts";
import type { Move } from "./indexed-system.ts";
import { intruderSystem, intruders } from "./intruder.ts";
import type { LinearSystem } from "./linear-system.ts";
import { findMove, moveSearch, type PricedMove, type Prices, type Trial } from "./move-search.ts";
import {
  closeProbe,
  goalOf,
  learn,
  openProbe,
  type Probe,
  seenOf,
  setBounds,
  spread,
  spreadNear,
  tableOf,
  wantedDown,
  wantedUp,
} from "./probe.ts";
import type { Hiding, Puzzle, SearchBounds } from "./secondary.ts";
import type { CellKey } from "./table.ts";
import { doubtOf, leaves, nameOf, type Target, targetsOf } from "./target.ts";

/** One intruder, with what each cell tells when it is shown and when it is hidden, and what hiding it costs. */
interface View {
  readonly probe: Probe;
  readonly shown: Pick<LinearSystem, "least" | "greatest">;
  readonly hidden: Prices;
  trial: Trial | undefined;
}

/** A release in the making: which cells are hidden for others' sake so far. */
interface Board {
  readonly puzzle: Puzzle;
  readonly views: readonly View[];
  readonly hidden: Set<CellKey>;
  readonly keyAt: readonly CellKey[];
  /** Names of the targets that stand whatever is hidden. */
  readonly standing: ReadonlySet<string>;
}

/** Repairs that a search for the cheapest company may try. */
const mostRepairs = 200;

/** Cells looked at, all of them each time that company is looked for: some minutes' worth. */
const mostLooks = 20_000_000;

/**
 * A rule of thumb for releases too large for `leastSecondary`. For each unsafe target the cheapest move is looked for that
 * would keep it in doubt if the shown cells which it touches were hidden, and these are hidden: they are then in doubt by
 * the same move. Where none is found, the cheapest cell nearby is hidden instead. Afterwards each cell without which
 * everything can still be shown to be safe is shown again, those with the most persons first. Only what shares a move
 * with a change is looked at again. It passes the same audit; it may hide more than need be.
 */
export function heuristicSecondary(puzzle: Puzzle, bounds: SearchBounds): Hiding {
  const board = openBoard(puzzle);
  try {
    const failed = hideUntilSafe(board, bounds.hides);
    if (failed !== undefined) return failed;
    showNeedless(board);
    return hideUntilSafe(board, bounds.hides) ?? { kind: "found", hidden: [...board.hidden].sort(), least: false };
  } finally {
    for (const { probe } of board.views) closeProbe(probe);
  }
}

/** Goes through all targets until none has to be given company; what was hidden is a target itself the next time. */
function hideUntilSafe(board: Board, mostHidden: number): Hiding | undefined {
  const { puzzle, hidden, views } = board;
  let looks = 0;
  for (let before = -1; before !== hidden.size; ) {
    before = hidden.size;
    for (const target of targetsOf(puzzle.publish(hidden), puzzle.policy))
      for (const view of views)
        for (let isNew = true; !isSafe(board, view, target); ) {
          looks += board.keyAt.length;
          if (looks > mostLooks) return { kind: "given-up" };
          const { cells, move } = companyOf(board, view, target, isNew);
          if (cells.length === 0 && move === undefined) return { kind: "impossible", target };
          if (hidden.size + cells.length > mostHidden) return { kind: "given-up" };
          for (const key of cells) hide(board, key);
          if (move !== undefined) for (const { probe } of views) learn(probe, move);
          // A move that needed no cell and did not help would be found again.
          isNew = cells.length > 0;
        }
  }
  return undefined;
}

function openBoard(puzzle: Puzzle): Board {
  const { candidates, publish, solver, witnesses } = puzzle;
  const [none, all] = [publish(new Set()), publish(new Set(candidates.map(({ key }) => key)))];
  // One who knows the roles knows more, so a table that deceives this one deceives the other: ask it first.
  const views = intruders.toReversed().map((intruder): View => {
    const probe = openProbe(none, intruder, solver, witnesses);
    const [shown, hidden] = [intruderSystem(none, intruder), intruderSystem(all, intruder)];
    const prices = new Float64Array(shown.least.length).fill(Number.POSITIVE_INFINITY);
    for (const { key, persons } of candidates) prices[probe.index.get(key) ?? -1] = persons;
    const ends = { least: Float64Array.from(hidden.least), greatest: Float64Array.from(hidden.greatest) };
    return { probe, shown, hidden: { prices, ...ends }, trial: undefined };
  });
  const standing = new Set(targetsOf(none, puzzle.policy).map(nameOf));
  return { puzzle, views, hidden: new Set(), keyAt: [...(views[0]?.probe.index.keys() ?? [])], standing };
}

function isSafe({ puzzle: { policy } }: Board, { probe }: View, target: Target): boolean {
  const seen = spread(probe, target, doubtOf(target, probe.intruder, policy));
  return verdictOf(target, seen, probe.intruder, policy) === "safe";
}

function hide({ views, hidden }: Board, key: CellKey): void {
  hidden.add(key);
  for (const view of views) {
    const variable = view.probe.index.get(key) ?? -1;
    setBounds(view.probe, variable, boundsAt(view.hidden, variable));
  }
}

function showAgain({ views, hidden }: Board, key: CellKey): void {
  hidden.delete(key);
  for (const view of views) {
    const variable = view.probe.index.get(key) ?? -1;
    setBounds(view.probe, variable, boundsAt(view.shown, variable));
  }
}

function boundsAt(ends: { least: ArrayLike<number>; greatest: ArrayLike<number> }, variable: number): Interval {
  return { least: ends.least[variable] ?? 0, greatest: ends.greatest[variable] ?? 0 };
}

/**
 * The cells to hide, and the move that they make possible, if moves are to be tried; none where nothing that is connected can
 * be hidden any more.
 */
function companyOf(
  board: Board,
  view: View,
  target: Target,
  byMove: boolean,
): { cells: readonly CellKey[]; move?: Move | undefined } {
  const move = byMove ? cheapestMove(board, view, target)?.move : undefined;
  if (move === undefined) return { cells: nearestCell(board, target) };
  return { cells: outside(view.probe, move).map((variable) => board.keyAt[variable] ?? ""), move };
}

/** The cheapest move found, up or down, that would leave doubt enough. */
function cheapestMove({ puzzle: { policy } }: Board, view: View, target: Target): PricedMove | undefined {
  const { probe } = view;
  const table = tableOf(probe);
  if (table === undefined) return undefined;
  view.trial ??= moveSearch(probe.system, table, view.hidden);
  const goal = goalOf(probe, target);
  const seen = seenOf(probe, goal);
  const doubt = doubtOf(target, probe.intruder, policy);
  const up = findMove(view.trial, goal, wantedUp(table, goal, seen, doubt), mostRepairs);
  const down = findMove(view.trial, goal, wantedDown(table, goal, seen, doubt), mostRepairs);
  if (up === undefined || down === undefined) return up ?? down;
  return down.price < up.price ? down : up;
}

/** Unknowns that the move takes out of what is told of them now. */
function outside({ system, table }: Probe, move: Move): readonly number[] {
  return [...move.keys()].filter((variable) => {
    const value = (table?.values[variable] ?? 0) + (move.get(variable) ?? 0);
    return value < (system.least[variable] ?? 0) || value > (system.greatest[variable] ?? 0);
  });
}

/** The cheapest cell to hide in the nearest rows; none when all that is connected is hidden or cannot be. */
function nearestCell({ views: [view], hidden, keyAt }: Board, target: Target): readonly CellKey[] {
  if (view === undefined) return [];
  const { system } = view.probe;
  const { prices } = view.hidden;
  let near = new Set(goalOf(view.probe, target).map(({ variable }) => variable));
  for (let size = 0; size < near.size; ) {
    size = near.size;
    const rows = new Set([...near].flatMap((variable) => [...(system.uses[variable]?.rows ?? [])]));
    const reached = new Set([...near, ...[...rows].flatMap((r) => [...(system.rows[r]?.variables ?? [])])]);
    const [cheapest] = [...reached]
      .filter((variable) => Number.isFinite(prices[variable]) && !hidden.has(keyAt[variable] ?? ""))
      .sort((a, b) => (prices[a] ?? 0) - (prices[b] ?? 0) || a - b);
    if (cheapest !== undefined) return [keyAt[cheapest] ?? ""];
    near = reached;
  }
  return [];
}

/** Shows cells again, the dearest first, as long as what they kept in doubt can be by other moves. */
function showNeedless(board: Board): void {
  const { puzzle, hidden, views } = board;
  const persons = new Map(puzzle.candidates.map((candidate) => [candidate.key, candidate.persons]));
  const targets = targetsOf(puzzle.publish(hidden), puzzle.policy);
  const targetsAt = new Map<CellKey, Target[]>();
  for (const target of targets)
    for (const key of [...target.plus, ...target.minus]) targetsAt.set(key, [...(targetsAt.get(key) ?? []), target]);
  const dearest = [...hidden].sort((a, b) => (persons.get(b) ?? 0) - (persons.get(a) ?? 0) || (a < b ? -1 : 1));
  for (const key of dearest) {
    const touched = new Set(views.flatMap(({ probe }) => sharedBy(board, probe, key)));
    showAgain(board, key);
    const affected = new Set([...touched].flatMap((other) => targetsAt.get(other) ?? []));
    const stays = [...affected].every(
      (target) => isGone(board, target) || views.every((view) => isSafeNear(board, view, target)),
    );
    if (!stays) hide(board, key);
  }
}

/** All cells that share a move with this one. */
function sharedBy({ keyAt }: Board, { index, witnesses }: Probe, key: CellKey): readonly CellKey[] {
  const moves = witnesses.movesOf.get(index.get(key) ?? -1) ?? [];
  return [key, ...moves.flatMap((move) => [...move.keys()].map((variable) => keyAt[variable] ?? ""))];
}

/** Whether the cell is hidden no more, neither by this choice nor by the policy or an earlier release. */
function isGone({ hidden, standing }: Board, target: Target): boolean {
  return target.kind === "cell" && !standing.has(nameOf(target)) && !target.plus.some((key) => hidden.has(key));
}

/** Whether known tables and those near the known one keep the target in doubt. */
function isSafeNear({ puzzle: { policy } }: Board, { probe }: View, target: Target): boolean {
  const doubt = doubtOf(target, probe.intruder, policy);
  return leaves(spreadNear(probe, goalOf(probe, target), doubt), doubt);
}
