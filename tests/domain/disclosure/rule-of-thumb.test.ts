import fc from "fast-check";
import { expect, test } from "vitest";
import { unsafeTargets } from "../../../src/domain/disclosure/audit.ts";
import { cellsOf } from "../../../src/domain/disclosure/counts.ts";
import { canBeHidden, primaryFigure, publishedCell } from "../../../src/domain/disclosure/figure.ts";
import type { IntervalSolver } from "../../../src/domain/disclosure/linear-system.ts";
import { type DisclosurePolicy, disclosurePolicies } from "../../../src/domain/disclosure/policy.ts";
import { relationsOf } from "../../../src/domain/disclosure/relation.ts";
import { heuristicSecondary } from "../../../src/domain/disclosure/rule-of-thumb.ts";
import { type Hiding, leastSecondary, type Puzzle } from "../../../src/domain/disclosure/secondary.ts";
import type { Table } from "../../../src/domain/disclosure/table.ts";
import { witnessesOf } from "../../../src/domain/disclosure/witness.ts";
import { loadIntervalSolver } from "../../../src/flows/interval-solver.ts";
import { flat, grid, smallPolicy, tableOf } from "./example-tables.ts";

const solver = await loadIntervalSolver();
const bounds = { rounds: 100, nodes: 10_000, looks: 1_000_000, hides: 500 };

function puzzleOf(tables: readonly Table[], policy: DisclosurePolicy, asked: IntervalSolver = solver): Puzzle {
  const relations = relationsOf(tables);
  const counted = cellsOf(tables, relations);
  if (!counted.ok) throw new Error(counted.refusals[0]?.detail);
  const cells = counted.value;
  const publish: Puzzle["publish"] = (hidden) => {
    const figureOf = (cell: (typeof cells)[number]) =>
      hidden.has(cell.key) ? ({ kind: "hidden", why: "secondary" } as const) : primaryFigure(cell, policy);
    const published = cells.map((cell) => publishedCell(cell, figureOf(cell), policy, 1000));
    return [{ name: "r", relations, nestings: [], cells: published }];
  };
  const candidates = cells.filter((cell) => canBeHidden(cell, policy));
  // The keys are in order, as are the cells.
  const witnesses = witnessesOf(cells.map(({ persons }) => persons));
  return { candidates, publish, policy, solver: asked, witnesses };
}

function hiddenPersons({ candidates }: Puzzle, hiding: Hiding): number {
  if (hiding.kind !== "found") throw new Error(hiding.kind);
  return candidates.filter(({ key }) => hiding.hidden.includes(key)).reduce((sum, one) => sum + one.persons, 0);
}

/** What a fresh look at the release finds unsafe, with nothing known of what the search has seen. */
function unsafeAfter({ publish, policy }: Puzzle, hiding: Hiding) {
  if (hiding.kind !== "found") throw new Error(hiding.kind);
  return unsafeTargets(publish(new Set(hiding.hidden)), policy, solver, witnessesOf());
}

const rows = fc.array(fc.array(fc.integer({ min: 0, max: 30 }), { minLength: 3, maxLength: 3 }), {
  minLength: 3,
  maxLength: 3,
});

test("what it hides is enough, never less than the least that is, and seldom much more", () => {
  let [more, least, thumb] = [0, 0, 0];
  fc.assert(
    fc.property(rows, fc.constantFrom(1, 5), (some, roundTo) => {
      const policy = {
        ...smallPolicy,
        small: { least: 1 as const, greatest: 5 },
        roundTo,
        minimumWidth: { figures: 3, roles: 1 },
      };
      const [exact, quick] = [puzzleOf([grid("n", some)], policy), puzzleOf([grid("n", some)], policy)];
      const [fewest, found] = [leastSecondary(exact, bounds), heuristicSecondary(quick, bounds)];
      expect(found.kind).toBe(fewest.kind);
      if (found.kind !== "found") return;
      expect(unsafeAfter(quick, found)).toEqual([]);
      expect(hiddenPersons(quick, found)).toBeGreaterThanOrEqual(hiddenPersons(exact, fewest));
      if (hiddenPersons(quick, found) > hiddenPersons(exact, fewest)) more += 1;
      least += hiddenPersons(exact, fewest);
      thumb += hiddenPersons(quick, found);
    }),
    { numRuns: 60, seed: 8 },
  );
  expect(more).toBeGreaterThan(0);
  expect(thumb / least).toBeLessThan(1.5);
});

/** Eight services of five sites, by age: numbers that look random and are the same in every run. */
function region(): readonly Table[] {
  const site = (service: number, one: number) => `s${service}-${one}`;
  const services = Array.from({ length: 8 }, (_, service) => ({
    key: `v${service}`,
    parts: Array.from({ length: 5 }, (__, one) => ({ key: site(service, one) })),
  }));
  const place = { name: "place", whole: { key: "all", parts: services }, parts: "disjoint" as const };
  const ages = ["0-17", "18-39", "40-64", "65+"];
  const persons = (key = "", age = "") => {
    const [service = 0, one = 0] = key.slice(1).split("-").map(Number);
    return (service * 37 + one * 11 + ages.indexOf(age) * 23 + service * one * 5) % 41;
  };
  const byAge = tableOf("n", [place, flat("age", ages)], (leaf) => persons(leaf.place, leaf.age));
  const bySex = tableOf("n", [place, flat("sex", ["f", "m"])], (leaf) => {
    const all = ages.reduce((sum, age) => sum + persons(leaf.place, age), 0);
    const women = Math.floor((all * 2) / 5);
    return leaf.sex === "f" ? women : all - women;
  });
  return [byAge, bySex];
}

test("forty sites by age and by sex are made safe, the same each time, and hardly a question is put to the solver", () => {
  let questions = 0;
  const counting: IntervalSolver = (system) => {
    const opened = solver(system);
    return {
      extreme: (goal, sense) => {
        questions += 1;
        return opened.extreme(goal, sense);
      },
      close: opened.close,
    };
  };
  const policy = disclosurePolicies["minimum-cell-11"];
  const [first, again] = [puzzleOf(region(), policy, counting), puzzleOf(region(), policy)];
  const found = heuristicSecondary(first, bounds);
  expect(questions).toBeLessThan(100);
  expect(unsafeAfter(first, found)).toEqual([]);
  expect(heuristicSecondary(again, bounds)).toEqual(found);
  expect(found.kind === "found" && found.hidden.length).toBeLessThan(first.candidates.length / 3);
}, 60_000);
