import type { Interval } from "./figure.ts";
import { type Intruder, intruderSystem, type Publication, unknownsOf } from "./intruder.ts";
import {
  type Extreme,
  type IntervalSolver,
  type LinearSystem,
  type OpenedSystem,
  satisfies,
  sumOf,
  type Term,
} from "./linear-system.ts";
import type { Target } from "./target.ts";

/** Whole tables, in the order of `unknownsOf`, that fitted some publication: each is checked again before it counts. */
export type Witnesses = (readonly number[])[];

/** Enough to answer most questions; each costs a check whenever a probe is opened. */
const mostWitnesses = 200;

/** How far apart known tables put a target, and whether the solver says that no other table goes further. */
export interface Spread extends Interval {
  readonly settled: boolean;
}

/** One intruder's view of the publications, opened for questions. */
export interface Probe {
  /** Looks for tables that spread the target until `enough` says so or the ends are reached. Nothing: no table fits. */
  readonly spread: (target: Target, enough: (interval: Interval) => boolean) => Spread | undefined;
  readonly close: () => void;
}

/**
 * Opens an intruder's system. Tables that the search finds are added to `witnesses`: they fit also when more is hidden,
 * so later questions are mostly answered without the solver.
 */
export function openProbe(
  publications: readonly Publication[],
  intruder: Intruder,
  solver: IntervalSolver,
  witnesses: Witnesses,
): Probe {
  const system = intruderSystem(publications, intruder);
  const index = new Map(unknownsOf(publications).map((key, i) => [key, i]));
  const fitting = witnesses.filter((values) => satisfies(system, values));
  let opened: ReturnType<IntervalSolver> | undefined;

  function further(goal: readonly Term[], sense: "least" | "greatest"): "settled" | "given-up" | "impossible" {
    opened ??= solver(system);
    const extreme = opened.extreme(goal, sense);
    if (extreme.kind !== "found") return extreme.kind;
    // A table that does not fit proves nothing, whatever the solver says of it.
    if (!satisfies(system, extreme.values)) return "given-up";
    fitting.push(extreme.values);
    witnesses.push(extreme.values);
    // The first is the true table, where it is known; of the others the latest answer most.
    if (witnesses.length > mostWitnesses) witnesses.splice(1, 1);
    return "settled";
  }

  function spread(target: Target, enough: (interval: Interval) => boolean): Spread | undefined {
    const goal = [
      ...target.plus.map((key) => ({ variable: index.get(key) ?? -1, times: 1 })),
      ...target.minus.map((key) => ({ variable: index.get(key) ?? -1, times: -1 })),
    ];
    const answers: string[] = [];
    for (const sense of ["greatest", "least"] as const) {
      if (enough(endsOf(goal, fitting))) break;
      answers.push(further(goal, sense));
    }
    if (fitting.length === 0 && answers.includes("impossible")) return undefined;
    return { ...endsOf(goal, fitting), settled: answers.every((answer) => answer === "settled") };
  }

  return { spread, close: () => opened?.close() };
}

function endsOf(goal: readonly Term[], tables: Witnesses): Interval {
  let [least, greatest] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
  for (const values of tables) {
    const value = sumOf(goal, values);
    least = Math.min(least, value);
    greatest = Math.max(greatest, value);
  }
  return { least, greatest };
}

/** A solver that is watched: `gaveUp` once it was asked too much, could not say, or said what does not fit. */
export interface BoundedSolver {
  readonly solver: IntervalSolver;
  readonly gaveUp: () => boolean;
}

/** A solver that answers `most` questions and then gives up, so that no release can hold the service for ever. */
export function boundedSolver(solver: IntervalSolver, most: number): BoundedSolver {
  let asked = 0;
  let gaveUp = false;
  function counted(system: LinearSystem, opened: OpenedSystem): OpenedSystem["extreme"] {
    return (goal, sense) => {
      asked += 1;
      const extreme: Extreme = asked > most ? { kind: "given-up" } : opened.extreme(goal, sense);
      const isFinal = extreme.kind === "found" ? satisfies(system, extreme.values) : extreme.kind === "impossible";
      if (!isFinal) gaveUp = true;
      return extreme;
    };
  }
  return {
    gaveUp: () => gaveUp,
    solver: (system) => {
      const opened = solver(system);
      return { extreme: counted(system, opened), close: opened.close };
    },
  };
}
