import { type FittingTable, type IndexedRow, type IndexedSystem, joined, type Move } from "./indexed-system.ts";
import type { Term } from "./linear-system.ts";

/** What it costs to let an unknown leave its bounds, and how far it may go then: cells that could be hidden. */
export interface Prices {
  /** Infinite where it may not. */
  readonly prices: Float64Array;
  readonly least: Float64Array;
  readonly greatest: Float64Array;
}

/** A change of the table that fits but for the unknowns that it takes out of their bounds, at this price. */
export interface PricedMove {
  readonly move: Move;
  readonly price: number;
}

/** A table with changes made to it, while a search tries to make it fit again. */
export interface Trial {
  readonly system: IndexedSystem;
  readonly table: FittingTable;
  readonly prices: Prices | undefined;
  readonly changes: Float64Array;
  readonly sumChanges: Float64Array;
  /** Unknowns that may not be changed (again). */
  readonly barred: Uint8Array;
  /** Rows that do not hold, and where each stands in that list. */
  readonly broken: number[];
  readonly brokenAt: Int32Array;
  /** What was changed, in this order. */
  readonly touched: [variable: number, change: number][];
  nodes: number;
  price: number;
  best: PricedMove | undefined;
}

/** One way to make a row hold again. */
interface Repair {
  readonly variable: number;
  readonly change: number;
  readonly price: number;
  readonly rank: number;
}

/** Cells that one move may touch: one person more at a site is one more in some forty cells of a usual release. */
const mostTouched = 80;

/**
 * Persons that one more broken row counts for, where ways to repair one are put in order. Measured on a release of 5,661
 * cells: with 1 a search wandered through cells that cost nothing, took several times as long and hid no less.
 */
const brokenRowPrice = 60;

/** Scratch space for searches of moves from one table; searches leave it as they found it. */
export function moveSearch(system: IndexedSystem, table: FittingTable, prices?: Prices): Trial {
  return {
    system,
    table,
    prices,
    changes: new Float64Array(system.least.length),
    sumChanges: new Float64Array(system.rows.length),
    barred: new Uint8Array(system.least.length),
    broken: [],
    brokenAt: new Int32Array(system.rows.length).fill(-1),
    touched: [],
    nodes: 0,
    price: 0,
    best: undefined,
  };
}

/**
 * The cheapest move found that changes the goal by `change` or more in its sense, trying `nodes` repairs at the most;
 * without prices, the first one found. A move is looked for by changing one unknown of the goal and then repairing the
 * rows which that breaks, one unknown at a time, always the row with the fewest ways left. Nothing found proves nothing.
 */
export function findMove(trial: Trial, goal: readonly Term[], change: number, nodes: number): PricedMove | undefined {
  trial.best = undefined;
  for (const { variable } of goal) trial.barred[variable] = 1;
  for (const { variable, times } of goal) {
    const step = change / times;
    const price = Number.isInteger(step) ? priceOf(trial, variable, step) : Number.POSITIVE_INFINITY;
    if (price >= limitOf(trial)) continue;
    trial.nodes = nodes;
    make(trial, variable, step, price);
    const isFree = isRepaired(trial);
    unmake(trial, variable, step, price);
    if (isFree) break;
  }
  for (const { variable } of goal) trial.barred[variable] = 0;
  return trial.best;
}

/** Prices from here on are too high. */
function limitOf({ best }: Trial): number {
  return best?.price ?? Number.POSITIVE_INFINITY;
}

/** Whether a move was found that nothing can better. */
function isRepaired(trial: Trial): boolean {
  if (trial.broken.length === 0) {
    trial.best = { move: new Map(trial.touched), price: trial.price };
    return trial.price === 0;
  }
  if (trial.nodes <= 0 || trial.touched.length >= mostTouched) return false;
  trial.nodes -= 1;
  const repairs = repairsOfNarrowest(trial);
  const tried: number[] = [];
  let isFree = false;
  for (const { variable, change, price } of repairs) {
    if (trial.price + price >= limitOf(trial)) continue;
    make(trial, variable, change, price);
    trial.barred[variable] = 1;
    tried.push(variable);
    isFree = isRepaired(trial);
    unmake(trial, variable, change, price);
    if (isFree || trial.nodes <= 0) break;
  }
  for (const variable of tried) trial.barred[variable] = 0;
  return isFree;
}

/** The ways to repair the broken row that has the fewest, the most promising first. */
function repairsOfNarrowest(trial: Trial): readonly Repair[] {
  let narrowest: Repair[] | undefined;
  for (const r of trial.broken) {
    const row = trial.system.rows[r];
    if (row === undefined) continue;
    const repairs = repairsOf(trial, row, r);
    if (narrowest === undefined || repairs.length < narrowest.length) narrowest = repairs;
    if (narrowest.length === 0) return narrowest;
  }
  return (narrowest ?? []).sort((a, b) => a.rank - b.rank || a.variable - b.variable);
}

function repairsOf(trial: Trial, { variables, times, least, greatest }: IndexedRow, r: number): Repair[] {
  const sum = (trial.table.sums[r] ?? 0) + (trial.sumChanges[r] ?? 0);
  const wanted = sum > greatest ? greatest - sum : least - sum;
  const repairs: Repair[] = [];
  for (let i = 0; i < variables.length; i += 1) {
    const variable = variables[i] ?? 0;
    if (trial.barred[variable] === 1) continue;
    const change = wanted / (times[i] ?? 1);
    if (!Number.isInteger(change)) continue;
    const price = priceOf(trial, variable, change);
    if (trial.price + price >= limitOf(trial)) continue;
    repairs.push({ variable, change, price, rank: price + brokenRowPrice * breaks(trial, variable, change) });
  }
  return repairs;
}

/** What it costs to change the unknown so: nothing within its bounds, and infinite where it cannot be. */
function priceOf({ system, table, prices, changes }: Trial, variable: number, change: number): number {
  const value = (table.values[variable] ?? 0) + (changes[variable] ?? 0) + change;
  if (value >= (system.least[variable] ?? 0) && value <= (system.greatest[variable] ?? 0)) return 0;
  if (prices === undefined) return Number.POSITIVE_INFINITY;
  const isWithin = value >= (prices.least[variable] ?? 0) && value <= (prices.greatest[variable] ?? 0);
  return isWithin ? (prices.prices[variable] ?? Number.POSITIVE_INFINITY) : Number.POSITIVE_INFINITY;
}

/** How many more rows are broken after the change than before. */
function breaks(trial: Trial, variable: number, change: number): number {
  const use = trial.system.uses[variable];
  if (use === undefined) return 0;
  let more = 0;
  for (let u = 0; u < use.rows.length; u += 1) {
    const r = use.rows[u] ?? 0;
    const isBroken = !holdsWith(trial, r, (use.times[u] ?? 0) * change);
    const wasBroken = (trial.brokenAt[r] ?? -1) >= 0;
    if (isBroken !== wasBroken) more += isBroken ? 1 : -1;
  }
  return more;
}

function holdsWith({ system, table, sumChanges }: Trial, r: number, change: number): boolean {
  const row = system.rows[r];
  const sum = (table.sums[r] ?? 0) + (sumChanges[r] ?? 0) + change;
  return row !== undefined && sum >= row.least && sum <= row.greatest;
}

function make(trial: Trial, variable: number, change: number, price: number): void {
  trial.touched.push([variable, change]);
  trial.price += price;
  addTo(trial, variable, change);
}

function unmake(trial: Trial, variable: number, change: number, price: number): void {
  trial.touched.pop();
  trial.price -= price;
  addTo(trial, variable, -change);
}

function addTo(trial: Trial, variable: number, change: number): void {
  trial.changes[variable] = (trial.changes[variable] ?? 0) + change;
  const use = trial.system.uses[variable];
  if (use === undefined) return;
  for (let u = 0; u < use.rows.length; u += 1) {
    const r = use.rows[u] ?? 0;
    trial.sumChanges[r] = (trial.sumChanges[r] ?? 0) + (use.times[u] ?? 0) * change;
    mark(trial, r, !holdsWith(trial, r, 0));
  }
}

function mark({ broken, brokenAt }: Trial, r: number, isBroken: boolean): void {
  const at = brokenAt[r] ?? -1;
  if (isBroken === at >= 0) return;
  if (isBroken) {
    brokenAt[r] = broken.length;
    broken.push(r);
    return;
  }
  const last = broken.pop();
  brokenAt[r] = -1;
  if (last === undefined || last === r) return;
  broken[at] = last;
  brokenAt[last] = at;
}

/** The move that changes the goal by up to `wanted` in its sense, put together of several where one does not go so far. */
export function reachingMove(trial: Trial, goal: readonly Term[], wanted: number, nodes: number): Move | undefined {
  const parts: Move[] = [];
  const sign = Math.sign(wanted);
  for (let left = Math.abs(wanted); left > 0; ) {
    let found = findMove(trial, goal, sign * left, nodes);
    let reached = left;
    if (found === undefined && left > 1) {
      found = findMove(trial, goal, sign, nodes);
      reached = 1;
    }
    if (found === undefined) break;
    parts.push(found.move);
    shift(trial, found.move, 1);
    left -= reached;
  }
  for (const part of parts) shift(trial, part, -1);
  return parts.length === 0 ? undefined : joined(parts);
}

function shift(trial: Trial, move: Move, times: 1 | -1): void {
  for (const [variable, change] of move) addTo(trial, variable, times * change);
}
