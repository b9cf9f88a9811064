import type { Component } from "./component.ts";
import type { FittingTable, IndexedSystem } from "./indexed-system.ts";
import type { LinearRow, Term } from "./linear-system.ts";
import type { OuterBounds } from "./propagation.ts";

/**
 * The unknowns nearest to a goal, row by row until there are `most` of them, as a system of its own in which all others
 * stay as they are in the table. What fits it fits the whole beside them, so it can show doubt; that something does not
 * fit it says nothing of the whole.
 */
export function vicinityOf(
  system: IndexedSystem,
  { least, greatest }: OuterBounds,
  table: FittingTable,
  goal: readonly Term[],
  most: number,
): Component {
  const isOpen = (variable: number) => least[variable] !== greatest[variable];
  const variables = nearest(system, goal, isOpen, most);
  const placeIn = new Map(variables.map((variable, place) => [variable, place]));
  const rows: LinearRow[] = [];
  for (const r of new Set(variables.flatMap((variable) => [...(system.uses[variable]?.rows ?? [])]))) {
    const row = system.rows[r];
    if (row === undefined) continue;
    const terms: Term[] = [];
    let others = table.sums[r] ?? Number.NaN;
    for (const [i, variable] of row.variables.entries()) {
      const place = placeIn.get(variable);
      if (place === undefined) continue;
      const times = row.times[i] ?? 0;
      terms.push({ variable: place, times });
      others -= times * (table.values[variable] ?? Number.NaN);
    }
    rows.push({ terms, least: row.least - others, greatest: row.greatest - others });
  }
  const ends = (bounds: Float64Array) => variables.map((variable) => bounds[variable] ?? 0);
  return { variables, system: { least: ends(least), greatest: ends(greatest), rows } };
}

function nearest(
  { uses, rows }: IndexedSystem,
  goal: readonly Term[],
  isOpen: (variable: number) => boolean,
  most: number,
): readonly number[] {
  const found = new Set(goal.map(({ variable }) => variable).filter(isOpen));
  const seen = new Set<number>();
  // A set is walked in the order of insertion, also through what is added on the way.
  for (const variable of found)
    for (const r of uses[variable]?.rows ?? []) {
      if (seen.has(r)) continue;
      seen.add(r);
      const open = [...(rows[r]?.variables ?? [])].filter((other) => isOpen(other) && !found.has(other));
      if (found.size + open.length > most) return [...found];
      for (const other of open) found.add(other);
    }
  return [...found];
}
