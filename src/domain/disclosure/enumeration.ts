import { type Extreme, type IntervalSolver, type LinearSystem, sumOf, type Term } from "./linear-system.ts";

/**
 * Every solution of the system, one after another, by trying the values of each unknown in turn and leaving a branch as
 * soon as a row cannot be met. The reference for small systems: it shares no method with a solver of linear programs.
 */
export function* solutionsOf(system: LinearSystem): Generator<readonly number[]> {
  const { rows } = system;
  const count = system.least.length;
  const lastVariable = rows.map(({ terms }) => Math.max(-1, ...terms.map(({ variable }) => variable)));
  // Before any unknown of a row is set, and after each, what the rest of the row can still add.
  const open = rows.map(({ terms }) => restOfRow(system, terms, count));
  const values: number[] = [];
  function fits(): boolean {
    return rows.every(({ terms, least, greatest }, r) => {
      const reach = open[r]?.[values.length] ?? { least: 0, greatest: 0 };
      const sum = sumOf(
        terms.filter(({ variable }) => variable < values.length),
        values,
      );
      return (lastVariable[r] ?? -1) < 0 || (sum + reach.greatest >= least && sum + reach.least <= greatest);
    });
  }
  function* tryFrom(variable: number): Generator<readonly number[]> {
    if (variable === count) yield [...values];
    else
      for (let value = system.least[variable] ?? 0; value <= (system.greatest[variable] ?? -1); value += 1) {
        values.push(value);
        if (fits()) yield* tryFrom(variable + 1);
        values.pop();
      }
  }
  if (fits()) yield* tryFrom(0);
}

/** For each number of unknowns already set, the least and the greatest that the others can add to the row. */
function restOfRow({ least, greatest }: LinearSystem, terms: readonly Term[], count: number) {
  return Array.from({ length: count + 1 }, (_, set) => {
    const rest = terms.filter(({ variable }) => variable >= set);
    const ends = rest.map(({ variable, times }) => [times * (least[variable] ?? 0), times * (greatest[variable] ?? 0)]);
    return {
      least: ends.reduce((sum, pair) => sum + Math.min(...pair), 0),
      greatest: ends.reduce((sum, pair) => sum + Math.max(...pair), 0),
    };
  });
}

/** A solver that tries everything, up to `most` solutions; beyond, it gives up. */
export function enumerationSolver(most: number): IntervalSolver {
  return (system) => {
    const solutions: (readonly number[])[] = [];
    let tooMany = false;
    for (const values of solutionsOf(system)) {
      tooMany = solutions.length === most;
      if (tooMany) break;
      solutions.push(values);
    }
    function extreme(goal: readonly Term[], sense: "least" | "greatest"): Extreme {
      if (tooMany) return { kind: "given-up" };
      const sign = sense === "greatest" ? 1 : -1;
      const best = solutions.reduce<readonly number[] | undefined>(
        (found, values) =>
          found === undefined || sign * (sumOf(goal, values) - sumOf(goal, found)) > 0 ? values : found,
        undefined,
      );
      return best === undefined ? { kind: "impossible" } : { kind: "found", values: best };
    }
    return { extreme, close: () => undefined };
  };
}
