import type { IndexedRow, IndexedSystem } from "./indexed-system.ts";

/** Bounds of each unknown that every fitting table keeps to. */
export interface OuterBounds {
  readonly least: Float64Array;
  readonly greatest: Float64Array;
}

/** Looks at a row so many times each, on average; small steps round a circle of rows could go on for long. */
const mostLooksPerRow = 20;

/**
 * Bounds as narrow as the rows make them one at a time: an unknown of a row can be no more than what the row allows when
 * all others are at their least, and so on until nothing changes. Every whole-number table that fits the system keeps
 * these bounds too, so nothing is lost by them; they need not be reached. Undefined: no table fits.
 */
export function tightened(system: IndexedSystem): OuterBounds | undefined {
  const bounds = { least: system.least.slice(), greatest: system.greatest.slice() };
  for (let v = 0; v < bounds.least.length; v += 1)
    if ((bounds.least[v] ?? 0) > (bounds.greatest[v] ?? 0)) return undefined;
  const waiting = system.rows.map((_, r) => r);
  const isWaiting = new Uint8Array(system.rows.length).fill(1);
  for (let next = 0; next < waiting.length && next < mostLooksPerRow * system.rows.length; next += 1) {
    const r = waiting[next] ?? 0;
    isWaiting[r] = 0;
    const row = system.rows[r];
    const changed = row === undefined ? [] : tightenRow(row, bounds);
    if (changed === undefined) return undefined;
    for (const variable of changed)
      for (const other of system.uses[variable]?.rows ?? []) {
        if (isWaiting[other] === 1) continue;
        isWaiting[other] = 1;
        waiting.push(other);
      }
  }
  return bounds;
}

/** The least and the greatest that a row can add up to within these bounds. */
export function reachOf({ variables, times }: IndexedRow, { least, greatest }: OuterBounds) {
  let [low, high] = [0, 0];
  for (let i = 0; i < variables.length; i += 1) {
    const count = times[i] ?? 0;
    const [from, to] = [least[variables[i] ?? 0] ?? 0, greatest[variables[i] ?? 0] ?? 0];
    low += count > 0 ? count * from : count * to;
    high += count > 0 ? count * to : count * from;
  }
  return { least: low, greatest: high };
}

/** The unknowns whose bounds the row has narrowed; undefined where it cannot hold. */
function tightenRow(row: IndexedRow, bounds: OuterBounds): readonly number[] | undefined {
  const { least, greatest } = bounds;
  const reach = reachOf(row, bounds);
  if (reach.least > row.greatest || reach.greatest < row.least) return undefined;
  if (reach.least >= row.least && reach.greatest <= row.greatest) return [];
  const changed: number[] = [];
  for (let i = 0; i < row.variables.length; i += 1) {
    const variable = row.variables[i] ?? 0;
    const count = row.times[i] ?? 0;
    const [from, to] = [least[variable] ?? 0, greatest[variable] ?? 0];
    // What is left for this unknown once the others are at their ends.
    const most = (row.greatest - (reach.least - Math.min(count * from, count * to))) / count;
    const fewest = (row.least - (reach.greatest - Math.max(count * from, count * to))) / count;
    const [low, high] = count > 0 ? [fewest, most] : [most, fewest];
    const narrowed = { least: Math.max(from, Math.ceil(low)), greatest: Math.min(to, Math.floor(high)) };
    if (narrowed.least > narrowed.greatest) return undefined;
    if (narrowed.least === from && narrowed.greatest === to) continue;
    least[variable] = narrowed.least;
    greatest[variable] = narrowed.greatest;
    changed.push(variable);
  }
  return changed;
}
