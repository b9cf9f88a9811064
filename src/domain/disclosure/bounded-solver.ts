import { type Extreme, type IntervalSolver, type LinearSystem, type OpenedSystem, satisfies } from "./linear-system.ts";

/** A solver that is watched: `gaveUp` once it was asked too much, could not say, or said what does not fit. */
export interface BoundedSolver {
  readonly solver: IntervalSolver;
  readonly gaveUp: () => boolean;
}

/** Unknowns of the largest system that is asked about; a larger one can take minutes a question. */
const mostUnknowns = 3000;

/**
 * A solver that answers `most` questions and then gives up, so that no release can hold the service for ever. A question
 * about more than a hundred unknowns counts for more than one, as it takes the longer.
 */
export function boundedSolver(solver: IntervalSolver, most: number): BoundedSolver {
  let asked = 0;
  let gaveUp = false;
  function counted(system: LinearSystem, opened: OpenedSystem): OpenedSystem["extreme"] {
    return (goal, sense) => {
      asked += Math.max(1, (system.least.length / 100) ** 1.5);
      const isTooMuch = asked > most || system.least.length > mostUnknowns;
      const extreme: Extreme = isTooMuch ? { kind: "given-up" } : opened.extreme(goal, sense);
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
