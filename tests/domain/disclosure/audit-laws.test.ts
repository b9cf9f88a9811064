import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { audit, unsafeTargets } from "../../../src/domain/disclosure/audit.ts";
import { cellsOf } from "../../../src/domain/disclosure/counts.ts";
import { solutionsOf } from "../../../src/domain/disclosure/enumeration.ts";
import { type Figure, primaryFigure, publishedCell } from "../../../src/domain/disclosure/figure.ts";
import { intruderSystem, intruders, type Publication, unknownsOf } from "../../../src/domain/disclosure/intruder.ts";
import type { DisclosurePolicy } from "../../../src/domain/disclosure/policy.ts";
import { relationsOf } from "../../../src/domain/disclosure/relation.ts";
import type { Table } from "../../../src/domain/disclosure/table.ts";
import { doubtOf, leaves, nameOf, type Target, targetsOf } from "../../../src/domain/disclosure/target.ts";
import { witnessesOf } from "../../../src/domain/disclosure/witness.ts";
import { loadIntervalSolver } from "../../../src/flows/interval-solver.ts";
import { flat, grid, smallPolicy, tableOf } from "./example-tables.ts";

const solver = await loadIntervalSolver();
const ceiling = 12;

/** Two rows by two columns, the rows in a second table by a third dimension, and a count of some of them. */
const counts = fc.record({
  rows: fc.array(fc.array(fc.integer({ min: 0, max: 4 }), { minLength: 2, maxLength: 2 }), {
    minLength: 2,
    maxLength: 2,
  }),
  of: fc.integer({ min: 0, max: 3 }),
  hidden: fc.array(fc.boolean(), { minLength: 12, maxLength: 12 }),
  roundTo: fc.constantFrom(1, 1, 3),
});

interface Linked {
  readonly publications: readonly Publication[];
  readonly policy: DisclosurePolicy;
  readonly truth: readonly number[];
}

function linked({ rows, of, hidden, roundTo }: typeof counts extends fc.Arbitrary<infer T> ? T : never): Linked {
  const policy = { ...smallPolicy, roundTo, minimumWidth: { figures: 2, roles: 1 } };
  const total = rows.flat().reduce((sum, one) => sum + one, 0);
  const side = Math.min(total, of);
  const bySide = tableOf("n", [flat("side", ["x", "y"])], (leaf) => (leaf.side === "x" ? side : total - side));
  const some = tableOf("some", [], () => side);
  const tables: Table[] = [grid("n", rows), bySide, some];
  const relations = relationsOf(tables);
  const counted = cellsOf(tables, relations);
  if (!counted.ok) throw new Error(counted.refusals[0]?.detail);
  const cells = counted.value.map((cell, i) => {
    const primary = primaryFigure(cell, policy);
    const isHidden = primary.kind === "shown" && cell.persons > 0 && hidden[i] === true;
    const figure: Figure = isHidden ? { kind: "hidden", why: "secondary" } : primary;
    return publishedCell(cell, figure, policy, ceiling);
  });
  const publications = [{ name: "r", cells, relations, nestings: [{ whole: "n", part: "some" }] }];
  const persons = new Map(counted.value.map((cell) => [cell.key, cell.persons]));
  return { publications, policy, truth: unknownsOf(publications).map((key) => persons.get(key) ?? Number.NaN) };
}

/** Names of the targets that some intruder works out, by listing every table: the reference for all quicker ways. */
function unsafeByListing({ publications, policy }: Linked): string[] {
  const keys = unknownsOf(publications);
  const worthOf = ({ plus, minus }: Target, values: readonly number[]) =>
    [
      ...plus.map((key) => values[keys.indexOf(key)] ?? 0),
      ...minus.map((key) => -(values[keys.indexOf(key)] ?? 0)),
    ].reduce((sum, one) => sum + one, 0);
  return intruders.flatMap((intruder) => {
    const solutions = [...solutionsOf(intruderSystem(publications, intruder))];
    return targetsOf(publications, policy)
      .filter((target) => {
        const values = solutions.map((solution) => worthOf(target, solution));
        const least = values.reduce((one, other) => Math.min(one, other), Number.POSITIVE_INFINITY);
        const greatest = values.reduce((one, other) => Math.max(one, other), Number.NEGATIVE_INFINITY);
        const isNobody = target.kind !== "cell" && greatest === 0;
        return !isNobody && !leaves({ least, greatest }, doubtOf(target, intruder, policy));
      })
      .map((target) => `${intruder} ${nameOf(target)}`);
  });
}

function unsafeFound({ publications, policy }: Linked, witnesses = witnessesOf()): string[] {
  return unsafeTargets(publications, policy, solver, witnesses).map(
    ({ target, intruder }) => `${intruder} ${nameOf(target)}`,
  );
}

describe("on small linked tables, whatever is hidden", () => {
  test("what is found unsafe is what listing every table finds, with the truth known and without", () => {
    let [safe, unsafe] = [0, 0];
    fc.assert(
      fc.property(counts, (some) => {
        const release = linked(some);
        const listed = unsafeByListing(release);
        expect(unsafeFound(release, witnessesOf(release.truth))).toEqual(listed);
        expect(unsafeFound(release)).toEqual(listed);
        if (listed.length === 0) safe += 1;
        else unsafe += 1;
      }),
      { numRuns: 80 },
    );
    expect(Math.min(safe, unsafe)).toBeGreaterThan(5);
  });

  test("the audit that stops when a target is safe passes what the one to the ends passes", () => {
    fc.assert(
      fc.property(counts, (some) => {
        const { publications, policy, truth } = linked(some);
        const toEnds = audit(publications, policy, solver, witnessesOf(truth));
        const enough = audit(publications, policy, solver, witnessesOf(truth), { endsOf: 0 });
        const isSafe = ({ verdict }: { verdict: string }) => verdict === "safe";
        expect(enough.targets.map(isSafe)).toEqual(toEnds.targets.map(isSafe));
        for (const [i, { intervals }] of enough.targets.entries())
          for (const intruder of intruders) {
            const ends = toEnds.targets[i]?.intervals[intruder];
            expect(intervals[intruder].least).toBeGreaterThanOrEqual(ends?.least ?? Number.NaN);
            expect(intervals[intruder].greatest).toBeLessThanOrEqual(ends?.greatest ?? Number.NaN);
          }
      }),
      { numRuns: 60 },
    );
  });

  test("a star that its row gives back is never missed, planted anywhere", () => {
    fc.assert(
      fc.property(counts, fc.nat(3), (some, at) => {
        const rows = some.rows.map((row, r) => row.map((one, c) => (r * 2 + c === at ? 1 : one + 3)));
        const release = linked({ ...some, rows, roundTo: 1, hidden: some.hidden.map(() => false) });
        const planted = `n;column=c${at % 2};row=r${Math.floor(at / 2)}`;
        const verdicts = audit(release.publications, release.policy, solver, witnessesOf(release.truth), { endsOf: 0 });
        expect(verdicts.passes).toBe(false);
        expect(verdicts.targets.find(({ name }) => name === planted)?.verdict).not.toBe("safe");
      }),
      { numRuns: 40 },
    );
  });
});
