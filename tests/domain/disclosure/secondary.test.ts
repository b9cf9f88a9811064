import { describe, expect, test } from "vitest";
import { unsafeTargets } from "../../../src/domain/disclosure/audit.ts";
import { cellsOf } from "../../../src/domain/disclosure/counts.ts";
import { canBeHidden, primaryFigure, publishedCell } from "../../../src/domain/disclosure/figure.ts";
import type { DisclosurePolicy } from "../../../src/domain/disclosure/policy.ts";
import { relationsOf } from "../../../src/domain/disclosure/relation.ts";
import { heuristicSecondary } from "../../../src/domain/disclosure/rule-of-thumb.ts";
import { leastSecondary, type Puzzle } from "../../../src/domain/disclosure/secondary.ts";
import type { Table } from "../../../src/domain/disclosure/table.ts";
import { witnessesOf } from "../../../src/domain/disclosure/witness.ts";
import { loadIntervalSolver } from "../../../src/flows/interval-solver.ts";
import { flat, grid, smallPolicy, tableOf } from "./example-tables.ts";

const solver = await loadIntervalSolver();
const bounds = { rounds: 100, nodes: 10_000, looks: 1_000_000, hides: 100 };

function puzzleOf(tables: readonly Table[], policy: DisclosurePolicy = smallPolicy): Puzzle {
  const relations = relationsOf(tables);
  const counted = cellsOf(tables, relations);
  if (!counted.ok) throw new Error(counted.refusals[0]?.detail);
  const cells = counted.value;
  return {
    candidates: cells.filter((cell) => canBeHidden(cell, policy)),
    publish: (hidden) => [
      {
        name: "r",
        relations,
        nestings: [],
        cells: cells.map((cell) => {
          const figure = hidden.has(cell.key)
            ? ({ kind: "hidden", why: "secondary" } as const)
            : primaryFigure(cell, policy);
          return publishedCell(cell, figure, policy, 1000);
        }),
      },
    ],
    policy,
    solver,
    witnesses: witnessesOf(),
  };
}

// One small count; its row, its column and the corner must each hide something else.
const oneSmall = grid("n", [
  [1, 50, 9],
  [40, 60, 30],
  [8, 70, 20],
]);

describe.each([
  ["the exact search", leastSecondary],
  ["the rule of thumb", heuristicSecondary],
])("%s", (_, search) => {
  test("hides nothing where nothing is small", () => {
    expect(
      search(
        puzzleOf([
          grid("n", [
            [10, 20],
            [30, 40],
          ]),
        ]),
        bounds,
      ),
    ).toMatchObject({ kind: "found", hidden: [] });
  });

  test("makes every target safe, through a tree and a linked table", () => {
    const tree = { key: "all", parts: [{ key: "north", parts: [{ key: "a" }, { key: "b" }] }, { key: "south" }] };
    const site = { name: "site", whole: tree, parts: "disjoint" as const };
    const persons: Record<string, number> = { "a x": 1, "a y": 12, "b x": 14, "b y": 6, "south x": 20, "south y": 2 };
    const byBoth = tableOf("n", [site, flat("age", ["x", "y"])], (leaf) => persons[`${leaf.site} ${leaf.age}`] ?? 0);
    const bySite = tableOf("n", [site], ({ site: at }) => (persons[`${at} x`] ?? 0) + (persons[`${at} y`] ?? 0));
    const puzzle = puzzleOf([byBoth, bySite]);
    const hiding = search(puzzle, bounds);
    if (hiding.kind !== "found") throw new Error(hiding.kind);
    expect(hiding.hidden.length).toBeGreaterThan(0);
    expect(unsafeTargets(puzzle.publish(new Set(hiding.hidden)), smallPolicy, solver, witnessesOf())).toEqual([]);
  });

  test("says so where nothing that may be hidden helps", () => {
    // Under a national total that is published as it is, the one place with persons cannot be kept secret.
    const places = { key: "all", national: true as const, parts: [{ key: "a" }, { key: "b" }] };
    const table = tableOf("n", [{ name: "place", whole: places, parts: "disjoint" }], ({ place }) =>
      place === "a" ? 2 : 0,
    );
    const hiding = search(puzzleOf([table], { ...smallPolicy, nationalUncontrolled: true }), bounds);
    expect(hiding).toMatchObject({ kind: "impossible", target: { plus: ["n;place=a"] } });
  });

  test("gives up at its bounds instead of answering badly", () => {
    expect(search(puzzleOf([oneSmall]), { rounds: 1, nodes: 10_000, looks: 1_000_000, hides: 1 })).toEqual({
      kind: "given-up",
    });
  });
});

test("the exact search hides a rectangle around a small count in a table whose totals are shown", () => {
  const hidden = ["n;column=c0;row=r2", "n;column=c2;row=r0", "n;column=c2;row=r2"];
  expect(leastSecondary(puzzleOf([oneSmall]), bounds)).toEqual({ kind: "found", hidden, least: true });
});

test("a cell that would itself need company is passed over where another is cheaper in all", () => {
  const policy = { ...smallPolicy, small: { least: 1 as const, greatest: 3 } };
  const rows = [
    [10, 0],
    [1, 0],
    [4, 21],
  ];
  // The 4 alone looks cheapest, but in its row it then needs the 21 or their total; the 10 needs only its total of 10.
  const hiding = leastSecondary(puzzleOf([grid("n", rows)], policy), bounds);
  expect(hiding).toEqual({ kind: "found", hidden: ["n;column=c0;row=r0", "n;row=r0"], least: true });
});

test("without branches enough to prove its last choice the best, the exact search says so, and is safe all the same", () => {
  const puzzle = puzzleOf([oneSmall]);
  const hiding = leastSecondary(puzzle, { ...bounds, nodes: 4 });
  if (hiding.kind !== "found") throw new Error(hiding.kind);
  expect(hiding.least).toBe(false);
  expect(unsafeTargets(puzzle.publish(new Set(hiding.hidden)), smallPolicy, solver, witnessesOf())).toEqual([]);
});

test("the exact search gives up once it has looked at as many cells as it may", () => {
  expect(leastSecondary(puzzleOf([oneSmall]), { ...bounds, looks: 0 })).toEqual({ kind: "given-up" });
});
