import { expect, test } from "vitest";
import { keepMove, witnessesOf } from "../../../src/domain/disclosure/witness.ts";

test("a move is found at each unknown that it touches", () => {
  const witnesses = witnessesOf([3, 4, 5]);
  const move = new Map([
    [0, 1],
    [2, -1],
  ]);
  keepMove(witnesses, move);
  expect(witnesses.movesOf.get(0)).toEqual([move]);
  expect(witnesses.movesOf.get(1)).toBeUndefined();
  expect(witnesses.movesOf.get(2)).toEqual([move]);
});

test("the oldest move of an unknown that has too many is forgotten at all of its unknowns", () => {
  const witnesses = witnessesOf([0, 0]);
  const first = new Map([
    [0, 1],
    [1, 1],
  ]);
  keepMove(witnesses, first);
  for (let change = 2; change <= 401; change += 1) keepMove(witnesses, new Map([[0, change]]));
  expect(witnesses.movesOf.get(0)).toHaveLength(400);
  expect(witnesses.movesOf.get(0)).not.toContain(first);
  expect(witnesses.movesOf.get(1)).toEqual([]);
});
