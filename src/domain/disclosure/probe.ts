import { type ComponentSolver, componentSolver } from "./component-solver.ts";
import type { Interval } from "./figure.ts";
import {
  changeOf,
  type FittingTable,
  fitsAfter,
  fittingTable,
  type IndexedSystem,
  indexed,
  type Move,
} from "./indexed-system.ts";
import { type Intruder, intruderSystem, type Publication, unknownsOf } from "./intruder.ts";
import type { IntervalSolver, Term } from "./linear-system.ts";
import { moveSearch, reachingMove, type Trial } from "./move-search.ts";
import type { CellKey } from "./table.ts";
import { type Doubt, leaves, type Target } from "./target.ts";
import { keepMove, type Witnesses, witnessesOf } from "./witness.ts";

/** How far apart known tables put a target, and whether no other table goes further. */
export interface Spread extends Interval {
  readonly settled: boolean;
}

/** One intruder's view of the publications, opened for questions; `closeProbe` gives back what it holds. */
export interface Probe {
  readonly intruder: Intruder;
  readonly system: IndexedSystem;
  readonly index: ReadonlyMap<CellKey, number>;
  readonly solver: IntervalSolver;
  /** What is known of tables that fit; others may share it. */
  witnesses: Witnesses;
  table: FittingTable | undefined;
  /** Whether moves that were looked at lead to tables that fit, as the bounds are. */
  readonly looked: Map<Move, boolean>;
  trial: Trial | undefined;
  apart: ComponentSolver | undefined;
}

/** Repairs that a search for one move may try: with ten times as many hardly one more is found in a release. */
const mostRepairs = 300;

/**
 * Opens an intruder's system. Tables that are found are added to `witnesses`: they fit also when more is hidden, so later
 * questions are mostly answered by them.
 */
export function openProbe(
  publications: readonly Publication[],
  intruder: Intruder,
  solver: IntervalSolver,
  witnesses: Witnesses,
): Probe {
  const system = indexed(intruderSystem(publications, intruder));
  const index = new Map(unknownsOf(publications).map((key, i) => [key, i]));
  const nothingYet = { table: undefined, looked: new Map(), trial: undefined, apart: undefined };
  return { intruder, system, index, solver, witnesses, ...nothingYet };
}

/** Gives back the solver's memory. */
export function closeProbe(probe: Probe): void {
  probe.apart?.close();
  probe.apart = undefined;
}

/** Widens or narrows what is told of one cell; the known table must fit as before. */
export function setBounds(probe: Probe, variable: number, { least, greatest }: Interval): void {
  probe.system.least[variable] = least;
  probe.system.greatest[variable] = greatest;
  for (const move of probe.witnesses.movesOf.get(variable) ?? []) probe.looked.delete(move);
  closeProbe(probe);
}

/**
 * Looks for tables that spread the target until that leaves doubt enough, or without `doubt` to its ends. First those
 * already known, then others near the known one, and only then is the solver asked. Nothing: no table fits.
 */
export function spread(probe: Probe, target: Target, doubt?: Doubt): Spread | undefined {
  const goal = goalOf(probe, target);
  if (probe.table === undefined) {
    const found = findTable(probe, goal);
    if (found === "impossible") return undefined;
    if (found === "given-up") return { ...nothingSeen, settled: false };
  }
  const isEnough = (interval: Interval) => doubt !== undefined && leaves(interval, doubt);
  let seen = doubt === undefined ? seenOf(probe, goal) : spreadNear(probe, goal, doubt);
  if (isEnough(seen)) return { ...seen, settled: false };
  const outer = outerEnds(probe, goal);
  // What the bounds alone rule out need not be asked: no table leaves doubt enough. A target that must be nobody is one.
  if (doubt !== undefined && outer.greatest > 0 && !leaves(outer, doubt)) return { ...seen, settled: false };
  for (const sense of ["greatest", "least"] as const) {
    if (doubt === undefined || isEnough(seen)) break;
    goFurther(probe, goal, sense, "near");
    seen = seenOf(probe, goal);
  }
  let settled = true;
  for (const sense of ["greatest", "least"] as const) {
    if (isEnough(seen)) break;
    if (seen[sense] === outer[sense]) continue;
    if (!goFurther(probe, goal, sense, "anywhere")) settled = false;
    seen = seenOf(probe, goal);
  }
  return { ...seen, settled };
}

const nothingSeen: Interval = { least: Number.POSITIVE_INFINITY, greatest: Number.NEGATIVE_INFINITY };

/** The target as a sum of unknowns. */
export function goalOf({ index }: Probe, { plus, minus }: Target): readonly Term[] {
  return [
    ...plus.map((key) => ({ variable: index.get(key) ?? -1, times: 1 })),
    ...minus.map((key) => ({ variable: index.get(key) ?? -1, times: -1 })),
  ];
}

/** Ends of the goal in the tables known to fit. */
export function seenOf(probe: Probe, goal: readonly Term[]): Interval {
  if (probe.table === undefined) return nothingSeen;
  const here = worthOf(goal, probe.table.values);
  let [least, greatest] = [here, here];
  for (const { variable } of goal)
    for (const move of probe.witnesses.movesOf.get(variable) ?? []) {
      const there = here + changeOf(goal, move);
      if (there >= least && there <= greatest) continue;
      if (!leadsToFitting(probe, move)) continue;
      least = Math.min(least, there);
      greatest = Math.max(greatest, there);
    }
  return { least, greatest };
}

/** Keeps a move if it leads to a table that fits. */
export function learn(probe: Probe, move: Move): boolean {
  if (move.size === 0) return true;
  if (!leadsToFitting(probe, move)) return false;
  keepMove(probe.witnesses, move);
  return true;
}

function leadsToFitting({ system, table, looked }: Probe, move: Move): boolean {
  const known = looked.get(move);
  if (known !== undefined) return known;
  const fits = table !== undefined && fitsAfter(system, table, move);
  looked.set(move, fits);
  return fits;
}

function worthOf(goal: readonly Term[], values: ArrayLike<number>): number {
  return goal.reduce((sum, { variable, times }) => sum + times * (values[variable] ?? Number.NaN), 0);
}

/**
 * Ends of the goal in the tables known, after a look for others near the known one where these do not leave doubt enough:
 * moves up and then down, as far as needed. The solver is not asked.
 */
export function spreadNear(probe: Probe, goal: readonly Term[], doubt: Doubt): Interval {
  const from = seenOf(probe, goal);
  if (probe.table === undefined || leaves(from, doubt)) return from;
  probe.trial ??= moveSearch(probe.system, probe.table);
  const up = reachingMove(probe.trial, goal, wantedUp(probe.table, goal, from, doubt), mostRepairs);
  if (up !== undefined) learn(probe, up);
  const seen = seenOf(probe, goal);
  if (leaves(seen, doubt)) return seen;
  const down = reachingMove(probe.trial, goal, wantedDown(probe.table, goal, seen, doubt), mostRepairs);
  if (down !== undefined) learn(probe, down);
  return seenOf(probe, goal);
}

/** How much more than in the table the goal must be to leave doubt enough beside what has been seen. */
export function wantedUp({ values }: FittingTable, goal: readonly Term[], seen: Interval, doubt: Doubt): number {
  return Math.min(seen.least + doubt.width, doubt.above + 1) - worthOf(goal, values);
}

/** How much less; below 0. */
export function wantedDown({ values }: FittingTable, goal: readonly Term[], seen: Interval, doubt: Doubt): number {
  return seen.greatest - doubt.width - worthOf(goal, values);
}

/** Ends that no table goes beyond, by the bounds alone; a target counts persons, so it is never below 0. */
function outerEnds(probe: Probe, goal: readonly Term[]): Interval {
  probe.apart ??= componentSolver(probe.system, probe.solver);
  const bounds = probe.apart.parts?.bounds ?? probe.system;
  let [least, greatest] = [0, 0];
  for (const { variable, times } of goal) {
    const [from, to] = [bounds.least[variable] ?? 0, bounds.greatest[variable] ?? 0];
    least += times > 0 ? times * from : times * to;
    greatest += times > 0 ? times * to : times * from;
  }
  return { least: Math.max(0, least), greatest };
}

/** Asks the solver for one end; false where it could not say, or said what does not fit. */
function goFurther(
  probe: Probe,
  goal: readonly Term[],
  sense: "least" | "greatest",
  where: "near" | "anywhere",
): boolean {
  if (probe.table === undefined) return false;
  probe.apart ??= componentSolver(probe.system, probe.solver);
  const ask = where === "near" ? probe.apart.extremeNear : probe.apart.extreme;
  const { kind, move } = ask(probe.table, goal, sense);
  return learn(probe, move) && kind === "found";
}

/** The table that moves start from; undefined where none is known and the solver finds none. */
export function tableOf(probe: Probe): FittingTable | undefined {
  if (probe.table === undefined) findTable(probe, []);
  return probe.table;
}

/** A first table that fits: the one that is known already, or one that the solver finds. */
function findTable(probe: Probe, goal: readonly Term[]): "found" | "impossible" | "given-up" {
  if (probe.witnesses.base !== undefined) {
    probe.table = fittingTable(probe.system, probe.witnesses.base);
    if (probe.table !== undefined) return "found";
    // Moves from a table that does not fit lead nowhere that is known.
    probe.witnesses = witnessesOf();
  }
  probe.apart ??= componentSolver(probe.system, probe.solver);
  const values = probe.apart.anyTable(goal);
  if (values === "impossible" || values === "given-up") return values;
  // A table that does not fit proves nothing, whatever the solver says of it.
  probe.table = fittingTable(probe.system, values);
  if (probe.table === undefined) return "given-up";
  probe.witnesses.base = values;
  return "found";
}
