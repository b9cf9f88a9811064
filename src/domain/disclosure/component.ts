import type { IndexedSystem } from "./indexed-system.ts";
import type { LinearRow, LinearSystem } from "./linear-system.ts";
import { type OuterBounds, reachOf, tightened } from "./propagation.ts";

/** Unknowns that rows connect, as a system of its own: its unknown `i` is `variables[i]` of the whole. */
export interface Component {
  readonly variables: readonly number[];
  readonly system: LinearSystem;
}

/** A system in parts that have nothing to do with each other. */
export interface Decomposition {
  /** Bounds that every fitting table keeps to; where both are the same, the unknown is known. */
  readonly bounds: OuterBounds;
  readonly components: readonly Component[];
  /** For each unknown the place of its component, and its place there; -1 where it is known. */
  readonly componentOf: Int32Array;
  readonly placeIn: Int32Array;
}

/**
 * Takes a system apart: bounds are tightened, known unknowns put into the rows, rows that hold whatever the bounds allow
 * left out, and what is still open is split where no row connects it. Undefined: no table fits.
 *
 * The tables that fit the whole are exactly those with the known values and, for each component, any table that fits it.
 * For tightening keeps every fitting table; a row left out holds by the bounds alone; and every row kept has open unknowns
 * of one component only, so whether it holds is decided there. Hence, if each component has a fitting table, the least
 * (greatest) value of a sum of unknowns is that of its known terms plus the least (greatest) of its terms in each
 * component, whatever the others do.
 */
export function decomposed(system: IndexedSystem): Decomposition | undefined {
  const bounds = tightened(system);
  if (bounds === undefined) return undefined;
  const isOpen = (variable: number) => bounds.least[variable] !== bounds.greatest[variable];
  const rows: LinearRow[] = [];
  for (const row of system.rows) {
    const reach = reachOf(row, bounds);
    if (reach.least > row.greatest || reach.greatest < row.least) return undefined;
    if (reach.least >= row.least && reach.greatest <= row.greatest) continue;
    const terms = Array.from(row.variables, (variable, i) => ({ variable, times: row.times[i] ?? 0 }));
    const known = terms.filter(({ variable }) => !isOpen(variable));
    const sum = known.reduce((total, { variable, times }) => total + times * (bounds.least[variable] ?? 0), 0);
    const open = terms.filter(({ variable }) => isOpen(variable));
    rows.push({ terms: open, least: row.least - sum, greatest: row.greatest - sum });
  }
  return split(system.least.length, rows, bounds, isOpen);
}

function split(
  count: number,
  rows: readonly LinearRow[],
  bounds: OuterBounds,
  isOpen: (variable: number) => boolean,
): Decomposition {
  const rootOf = connected(count, rows);
  const componentOf = new Int32Array(count).fill(-1);
  const placeIn = new Int32Array(count).fill(-1);
  const places = new Map<number, number>();
  const parts: { variables: number[]; rows: LinearRow[] }[] = [];
  for (let variable = 0; variable < count; variable += 1) {
    if (!isOpen(variable)) continue;
    const root = rootOf(variable);
    const place = places.get(root) ?? parts.length;
    if (place === parts.length) {
      places.set(root, place);
      parts.push({ variables: [], rows: [] });
    }
    componentOf[variable] = place;
    placeIn[variable] = parts[place]?.variables.length ?? 0;
    parts[place]?.variables.push(variable);
  }
  for (const { terms, ...ends } of rows) {
    const place = componentOf[terms[0]?.variable ?? 0] ?? -1;
    const own = terms.map(({ variable, times }) => ({ variable: placeIn[variable] ?? -1, times }));
    parts[place]?.rows.push({ terms: own, ...ends });
  }
  const components = parts.map(({ variables, rows: own }) => ({
    variables,
    system: {
      least: variables.map((variable) => bounds.least[variable] ?? 0),
      greatest: variables.map((variable) => bounds.greatest[variable] ?? 0),
      rows: own,
    },
  }));
  return { bounds, components, componentOf, placeIn };
}

/** Union-find with halved paths over the unknowns of each row. */
function connected(count: number, rows: readonly LinearRow[]): (variable: number) => number {
  const parent = Int32Array.from({ length: count }, (_, variable) => variable);
  function rootOf(variable: number): number {
    let at = variable;
    while (parent[at] !== at) {
      const above = parent[parent[at] ?? at] ?? at;
      parent[at] = above;
      at = above;
    }
    return at;
  }
  for (const { terms } of rows)
    for (const { variable } of terms) {
      const [one, other] = [rootOf(terms[0]?.variable ?? variable), rootOf(variable)];
      if (one !== other) parent[Math.max(one, other)] = Math.min(one, other);
    }
  return rootOf;
}
