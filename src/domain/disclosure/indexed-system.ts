import type { LinearSystem, Term } from "./linear-system.ts";

/** A row of a system, with its place in it; no unknown stands in it twice. */
export interface IndexedRow {
  readonly variables: Int32Array;
  readonly times: Int32Array;
  readonly least: number;
  readonly greatest: number;
}

/**
 * A linear system laid out so that a change of a few unknowns costs what they touch, not what there is. The bounds may be
 * widened and narrowed in place, as cells are hidden and shown again; the rows never change.
 */
export interface IndexedSystem {
  readonly least: Float64Array;
  readonly greatest: Float64Array;
  readonly rows: readonly IndexedRow[];
  /** For each unknown the rows that it stands in, and how many times. */
  readonly uses: readonly { readonly rows: Int32Array; readonly times: Int32Array }[];
}

/** A whole table that fits the system, with the sums of its rows. */
export interface FittingTable {
  readonly values: Float64Array;
  readonly sums: Float64Array;
}

/** What one table has more (or less) than another, by unknown: few of them, and whole numbers other than 0. */
export type Move = ReadonlyMap<number, number>;

/** The same system, indexed. */
export function indexed(system: LinearSystem): IndexedSystem {
  const uses = system.least.map(() => ({ rows: [] as number[], times: [] as number[] }));
  const rows = system.rows.map(({ terms, least, greatest }, r) => {
    const times = new Map<number, number>();
    for (const term of terms) times.set(term.variable, (times.get(term.variable) ?? 0) + term.times);
    const kept = [...times].filter(([, count]) => count !== 0);
    for (const [variable, count] of kept) {
      uses[variable]?.rows.push(r);
      uses[variable]?.times.push(count);
    }
    return {
      variables: Int32Array.from(kept, ([variable]) => variable),
      times: Int32Array.from(kept, ([, count]) => count),
      least,
      greatest,
    };
  });
  return {
    least: Float64Array.from(system.least),
    greatest: Float64Array.from(system.greatest),
    rows,
    uses: uses.map((use) => ({ rows: Int32Array.from(use.rows), times: Int32Array.from(use.times) })),
  };
}

/** The table of these values, if they are whole and fit: every bound and row is looked at once. */
export function fittingTable(system: IndexedSystem, values: readonly number[]): FittingTable | undefined {
  const { least, greatest, rows } = system;
  if (values.length !== least.length) return undefined;
  const isWithin = values.every(
    (value, i) => Number.isSafeInteger(value) && value >= (least[i] ?? 0) && value <= (greatest[i] ?? 0),
  );
  if (!isWithin) return undefined;
  const sums = Float64Array.from(rows, (row) => sumOfRow(row, values));
  const holds = rows.every((row, r) => (sums[r] ?? 0) >= row.least && (sums[r] ?? 0) <= row.greatest);
  return holds ? { values: Float64Array.from(values), sums } : undefined;
}

function sumOfRow({ variables, times }: IndexedRow, values: readonly number[]): number {
  return variables.reduce((sum, variable, i) => sum + (times[i] ?? 0) * (values[variable] ?? Number.NaN), 0);
}

/**
 * Whether the table still fits after the move, in exact arithmetic: only the bounds and rows that the move touches are
 * looked at, since no other has another value than in the table, which fits.
 */
export function fitsAfter(system: IndexedSystem, table: FittingTable, move: Move): boolean {
  const changed = new Map<number, number>();
  for (const [variable, change] of move) {
    const value = (table.values[variable] ?? Number.NaN) + change;
    const isWithin = value >= (system.least[variable] ?? 0) && value <= (system.greatest[variable] ?? 0);
    if (!Number.isSafeInteger(value) || !isWithin) return false;
    const use = system.uses[variable];
    use?.rows.forEach((row, u) => {
      changed.set(row, (changed.get(row) ?? 0) + (use.times[u] ?? 0) * change);
    });
  }
  for (const [r, change] of changed) {
    const row = system.rows[r];
    const sum = (table.sums[r] ?? Number.NaN) + change;
    if (row === undefined || !(sum >= row.least && sum <= row.greatest)) return false;
  }
  return true;
}

/** By how much the move changes a sum of terms. */
export function changeOf(goal: readonly Term[], move: Move): number {
  let change = 0;
  for (const { variable, times } of goal) change += times * (move.get(variable) ?? 0);
  return change;
}

/** One move after another. */
export function joined(moves: readonly Move[]): Move {
  const changes = new Map<number, number>();
  for (const move of moves)
    for (const [variable, change] of move) {
      const sum = (changes.get(variable) ?? 0) + change;
      if (sum === 0) changes.delete(variable);
      else changes.set(variable, sum);
    }
  return changes;
}
