import { type Component, type Decomposition, decomposed } from "./component.ts";
import type { FittingTable, IndexedSystem, Move } from "./indexed-system.ts";
import type { IntervalSolver, OpenedSystem, Term } from "./linear-system.ts";
import { vicinityOf } from "./vicinity.ts";

/** A system that a solver is asked about one component at a time; nothing is opened before it is needed. */
export interface ComponentSolver {
  /** Undefined where no table fits. */
  readonly parts: Decomposition | undefined;
  /** A move from the table to where the goal is least or greatest; a move to nowhere where the table is there already. */
  readonly extreme: (table: FittingTable, goal: readonly Term[], sense: "least" | "greatest") => FurthestMove;
  /** The same where only the unknowns near the goal may change; there may be tables further out. */
  readonly extremeNear: (table: FittingTable, goal: readonly Term[], sense: "least" | "greatest") => FurthestMove;
  /** Any whole table, the goal being greatest in it. */
  readonly anyTable: (goal: readonly Term[]) => readonly number[] | "impossible" | "given-up";
  readonly close: () => void;
}

/** Where the solver says that the goal ends, to be checked. */
export interface FurthestMove {
  readonly kind: "found" | "given-up";
  readonly move: Move;
}

/** Unknowns that are asked about at first: few enough for an answer within some milliseconds. */
const mostNear = 300;

/** Takes the system apart (`component.ts`) and asks the solver about the components that a goal touches. */
export function componentSolver(system: IndexedSystem, solver: IntervalSolver): ComponentSolver {
  const parts = decomposed(system);
  const opened = new Map<number, OpenedSystem>();
  function ask(place: number, goal: readonly Term[], sense: "least" | "greatest") {
    const component = parts?.components[place];
    if (component === undefined) return { kind: "impossible" as const };
    const open = opened.get(place) ?? solver(component.system);
    opened.set(place, open);
    return open.extreme(goal, sense);
  }
  return {
    parts,
    extreme: (table, goal, sense) => {
      const move = new Map<number, number>();
      let kind: FurthestMove["kind"] = parts === undefined ? "given-up" : "found";
      for (const [place, own] of parts === undefined ? [] : goalsOf(parts, goal)) {
        const component = parts?.components[place];
        const answer = ask(place, own, sense);
        if (component !== undefined && answer.kind === "found") addTo(move, component, table, answer.values);
        // A table fits, so "impossible" is an error of the solver.
        else kind = "given-up";
      }
      return { kind, move };
    },
    extremeNear: (table, goal, sense) => {
      const move = new Map<number, number>();
      const isLarge = ({ variables }: Component) => variables.length > mostNear;
      const places = parts === undefined ? [] : [...goalsOf(parts, goal).keys()];
      // A small component is asked about as a whole anyway.
      if (parts === undefined || !places.some((place) => isLarge(parts.components[place] ?? nothing)))
        return { kind: "given-up", move };
      const near = vicinityOf(system, parts.bounds, table, goal, mostNear);
      const open = solver(near.system);
      const placeIn = new Map(near.variables.map((variable, place) => [variable, place]));
      const own = goal.flatMap(({ variable, times }) => {
        const place = placeIn.get(variable);
        return place === undefined ? [] : [{ variable: place, times }];
      });
      const answer = open.extreme(own, sense);
      open.close();
      if (answer.kind === "found") addTo(move, near, table, answer.values);
      return { kind: answer.kind === "found" ? "found" : "given-up", move };
    },
    anyTable: (goal) => {
      if (parts === undefined) return "impossible";
      const values = [...parts.bounds.least];
      const goals = goalsOf(parts, goal);
      for (const [place, { variables }] of parts.components.entries()) {
        const answer = ask(place, goals.get(place) ?? [], "greatest");
        if (answer.kind !== "found") return answer.kind;
        for (const [i, variable] of variables.entries()) values[variable] = answer.values[i] ?? Number.NaN;
      }
      return values;
    },
    close: () => {
      for (const open of opened.values()) open.close();
      opened.clear();
    },
  };
}

const nothing: Component = { variables: [], system: { least: [], greatest: [], rows: [] } };

function addTo(move: Map<number, number>, { variables }: Component, table: FittingTable, values: readonly number[]) {
  for (const [i, variable] of variables.entries()) {
    const change = (values[i] ?? Number.NaN) - (table.values[variable] ?? Number.NaN);
    if (change !== 0) move.set(variable, change);
  }
}

/** The goal's terms by component; known unknowns have no part in it. */
function goalsOf({ componentOf, placeIn }: Decomposition, goal: readonly Term[]): ReadonlyMap<number, readonly Term[]> {
  const goals = new Map<number, Term[]>();
  for (const { variable, times } of goal) {
    const place = componentOf[variable] ?? -1;
    if (place < 0) continue;
    const own = goals.get(place) ?? [];
    goals.set(place, own);
    own.push({ variable: placeIn[variable] ?? -1, times });
  }
  return goals;
}
