import { expect, test } from "vitest";
import { enumerationSolver } from "../../../src/domain/disclosure/enumeration.ts";
import { closeProbe, goalOf, openProbe, seenOf, setBounds, spread } from "../../../src/domain/disclosure/probe.ts";
import type { Target } from "../../../src/domain/disclosure/target.ts";
import { keepMove, witnessesOf } from "../../../src/domain/disclosure/witness.ts";
import { flat, tableOf } from "./example-tables.ts";
import { published, shown, star } from "./publication-examples.ts";

const byAge = tableOf("n", [flat("age", ["a", "b"])], () => 0);
const small = { least: 1, greatest: 7 };
const release = published("r", [shown("n", 10), star("n;age=a", small), star("n;age=b", small)], [byAge]);
const a: Target = { kind: "cell", plus: ["n;age=a"], minus: [], width: { figures: 2, roles: 1 } };
const doubt = { width: 2, above: Number.POSITIVE_INFINITY };
const solver = enumerationSolver(1000);
const silent = () => {
  throw new Error("not to be asked");
};

test("the ends are those of tables that fit, and the tables are kept", () => {
  const witnesses = witnessesOf();
  const probe = openProbe([release], "figures", solver, witnesses);
  expect(spread(probe, a)).toEqual({ least: 1, greatest: 9, settled: true });
  expect(witnesses.base).toEqual([10, 9, 1]);
  expect([...(witnesses.movesOf.get(1) ?? [])].map((move) => [...move])).toEqual([
    [
      [1, -8],
      [2, 8],
    ],
  ]);
  closeProbe(probe);
});

test("known tables answer without the solver, those that do not fit are left aside", () => {
  const witnesses = witnessesOf([10, 2, 8]);
  const to = (first: number, second: number) =>
    new Map([
      [1, first - 2],
      [2, second - 8],
    ]);
  for (const move of [to(6, 4), to(9, 9)]) keepMove(witnesses, move);
  const probe = openProbe([release], "figures", silent, witnesses);
  expect(spread(probe, a, doubt)).toMatchObject({ least: 2, greatest: 6 });
});

test("one known table is enough where others lie near it", () => {
  const probe = openProbe([release], "figures", silent, witnessesOf([10, 2, 8]));
  const found = spread(probe, a, doubt);
  expect((found?.greatest ?? 0) - (found?.least ?? 0)).toBe(2);
});

test("what the bounds alone rule out is not asked of the solver", () => {
  const pinned = published("r", [shown("n", 10), star("n;age=a", small), shown("n;age=b", 8)], [byAge]);
  const probe = openProbe([pinned], "figures", silent, witnessesOf([10, 2, 8]));
  expect(spread(probe, a, doubt)).toEqual({ least: 2, greatest: 2, settled: false });
});

test("a known table that does not fit is not started from", () => {
  const witnesses = witnessesOf([10, 3, 8]);
  const probe = openProbe([release], "figures", solver, witnesses);
  expect(spread(probe, a)).toEqual({ least: 1, greatest: 9, settled: true });
  expect(witnesses.base).toEqual([10, 3, 8]);
});

test("when a cell is told more of, tables that no longer fit are forgotten, and come back when it is told less of", () => {
  const probe = openProbe([release], "figures", solver, witnessesOf([10, 2, 8]));
  spread(probe, a);
  setBounds(probe, 1, { least: 1, greatest: 3 });
  expect(seenOf(probe, goalOf(probe, a))).toEqual({ least: 1, greatest: 2 });
  setBounds(probe, 1, { least: 1, greatest: 20 });
  expect(seenOf(probe, goalOf(probe, a))).toEqual({ least: 1, greatest: 9 });
  closeProbe(probe);
});

test("an answer that does not fit proves nothing", () => {
  const liar = () => ({ extreme: () => ({ kind: "found" as const, values: [10, 99] }), close: () => undefined });
  const found = spread(openProbe([release], "figures", liar, witnessesOf()), a);
  expect(found?.settled).toBe(false);
  expect(found?.greatest).toBe(Number.NEGATIVE_INFINITY);
  const known = spread(openProbe([release], "figures", liar, witnessesOf([10, 2, 8])), a);
  expect(known).toEqual({ least: 2, greatest: 2, settled: false });
});

test("where no table fits there is no spread", () => {
  const contradictory = [release, published("r2", [shown("n;age=a", 30)])];
  expect(spread(openProbe(contradictory, "figures", solver, witnessesOf()), a)).toBeUndefined();
});
