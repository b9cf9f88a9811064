import type { Move } from "./indexed-system.ts";

/**
 * Tables that are known to fit some publication: one whole table, in the order of `unknownsOf`, and moves that lead from it
 * to others. Each is checked again before it counts. Those who look for tables add what they find.
 */
export interface Witnesses {
  base: readonly number[] | undefined;
  /** The moves that touch an unknown, the latest last. */
  readonly movesOf: Map<number, Move[]>;
}

/** Moves kept for one unknown: each is looked at whenever something is asked of it. */
const mostMoves = 400;

/** No more than this table, if any is known. */
export function witnessesOf(base?: readonly number[]): Witnesses {
  return { base, movesOf: new Map() };
}

/** Keeps a move for later questions; where an unknown has too many, its oldest is forgotten. */
export function keepMove({ movesOf }: Witnesses, move: Move): void {
  for (const variable of move.keys()) {
    const moves = movesOf.get(variable) ?? [];
    if (moves.length === 0) movesOf.set(variable, moves);
    if (moves.length === mostMoves) forget(movesOf, moves[0]);
    moves.push(move);
  }
}

/** Whoever finds a move at one of its unknowns must find it at all of them. */
function forget(movesOf: Witnesses["movesOf"], move: Move | undefined): void {
  for (const variable of move?.keys() ?? []) {
    const moves = movesOf.get(variable) ?? [];
    const at = move === undefined ? -1 : moves.indexOf(move);
    if (at >= 0) moves.splice(at, 1);
  }
}
