import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { unsafeTargets } from "../../../src/domain/disclosure/audit.ts";
import { cellsOf } from "../../../src/domain/disclosure/counts.ts";
import { solutionsOf } from "../../../src/domain/disclosure/enumeration.ts";
import { canBeHidden, type Figure, primaryFigure, publishedCell } from "../../../src/domain/disclosure/figure.ts";
import { intruderSystem, intruders, type Publication, unknownsOf } from "../../../src/domain/disclosure/intruder.ts";
import { type DisclosurePolicy, disclosurePolicies } from "../../../src/domain/disclosure/policy.ts";
import { relationsOf } from "../../../src/domain/disclosure/relation.ts";
import { disclose, type Release } from "../../../src/domain/disclosure/release.ts";
import type { CellKey, Table } from "../../../src/domain/disclosure/table.ts";
import { witnessesOf } from "../../../src/domain/disclosure/witness.ts";
import { loadIntervalSolver } from "../../../src/flows/interval-solver.ts";
import { flat, grid, smallPolicy, tableOf } from "./example-tables.ts";

const solver = await loadIntervalSolver();
// Low enough that all tables an intruder can think of can be listed.
const ceiling = 26;

const count = fc.oneof(fc.integer({ min: 0, max: 2 }), fc.integer({ min: 0, max: 6 }));
const rowsOf = (rows: number, columns: number) =>
  fc.array(fc.array(count, { minLength: columns, maxLength: columns }), { minLength: rows, maxLength: rows });
const tables = fc.oneof(rowsOf(1, 3), rowsOf(2, 2), rowsOf(1, 4));
const policies = fc
  .record({
    least: fc.constantFrom(0 as const, 1 as const),
    roundTo: fc.constantFrom(1, 3, 5),
    figures: fc.integer({ min: 1, max: 3 }),
    roles: fc.integer({ min: 0, max: 1 }),
  })
  .map(({ least, roundTo, ...minimumWidth }): DisclosurePolicy => {
    return { ...smallPolicy, small: { least, greatest: 2 }, roundTo, minimumWidth };
  });

function released(table: Table, policy: DisclosurePolicy): Release | undefined {
  const result = disclose({ name: "r", tables: [table], policy, solver, ceiling });
  return result.ok ? result.value : undefined;
}

/** The least and the greatest value of each hidden cell, by listing every table that an intruder can think of. */
function listed(publication: Publication, intruder: "figures" | "roles"): Map<CellKey, [number, number]> {
  const keys = unknownsOf([publication]);
  const hidden = publication.cells.filter((cell) => cell.hidden).map(({ key }) => [key, keys.indexOf(key)] as const);
  const ends = new Map<CellKey, [number, number]>();
  for (const values of solutionsOf(intruderSystem([publication], intruder)))
    for (const [key, place] of hidden) {
      const value = values[place] ?? Number.NaN;
      const [least, greatest] = ends.get(key) ?? [value, value];
      ends.set(key, [Math.min(least, value), Math.max(greatest, value)]);
    }
  return ends;
}

/** The table published with the small counts hidden and these cells besides, whether that is safe or not. */
function publishedWith(table: Table, policy: DisclosurePolicy, hidden: ReadonlySet<CellKey>): Publication {
  const relations = relationsOf([table]);
  const counted = cellsOf([table], relations);
  if (!counted.ok) throw new Error("an example table");
  const figureOf = (cell: (typeof counted.value)[number]): Figure =>
    hidden.has(cell.key) ? { kind: "hidden", why: "secondary" } : primaryFigure(cell, policy);
  const cells = counted.value.map((cell) => publishedCell(cell, figureOf(cell), policy, ceiling));
  return { name: "r", relations, nestings: [], cells };
}

function candidatesOf(table: Table, policy: DisclosurePolicy) {
  const counted = cellsOf([table], relationsOf([table]));
  return counted.ok ? counted.value.filter((cell) => canBeHidden(cell, policy)) : [];
}

test.each(Object.values(disclosurePolicies))(
  "$name keeps its hidden cells in doubt, by listing every table",
  (policy) => {
    let hidden = 0;
    const sites = fc.array(fc.oneof(fc.integer({ min: 0, max: 12 }), fc.integer({ min: 0, max: 40 })), {
      minLength: 3,
      maxLength: 4,
    });
    fc.assert(
      fc.property(sites, (persons) => {
        const names = persons.map((_, i) => `s${i}`);
        const table = tableOf("n", [flat("site", names)], ({ site = "" }) => persons[names.indexOf(site)] ?? 0);
        const result = disclose({ name: "r", tables: [table], policy, solver, ceiling: 170 });
        if (!result.ok) return;
        for (const intruder of intruders)
          for (const [key, [least, greatest]] of listed(result.value.publication, intruder)) {
            hidden += 1;
            expect([key, greatest - least >= policy.minimumWidth[intruder]]).toEqual([key, true]);
          }
      }),
      { numRuns: 15 },
    );
    expect(hidden).toBeGreaterThan(10);
  },
);

describe("whatever the counts and the policy", () => {
  test("no hidden cell of a release is narrower than the policy allows, and the audit's ends are the true ones", () => {
    let releases = 0;
    fc.assert(
      fc.property(tables, policies, (rows, policy) => {
        const release = released(grid("n", rows), policy);
        if (release === undefined) return;
        releases += 1;
        for (const intruder of intruders) {
          const ends = listed(release.publication, intruder);
          for (const { kind, name, intervals } of release.audit.targets.filter((target) => target.kind === "cell")) {
            const [least = 0, greatest = 0] = ends.get(name) ?? [];
            expect({ kind, name, ...intervals[intruder] }).toEqual({ kind: "cell", name, least, greatest });
            expect(greatest - least).toBeGreaterThanOrEqual(policy.minimumWidth[intruder]);
          }
        }
      }),
      { numRuns: 60 },
    );
    expect(releases).toBeGreaterThan(20);
  });

  test("hiding more never narrows what can be worked out", () => {
    const some = fc.array(fc.boolean(), { minLength: 15, maxLength: 15 });
    fc.assert(
      fc.property(tables, policies, some, some, (rows, policy, fewer, more) => {
        const keys = candidatesOf(grid("n", rows), policy).map(({ key }) => key);
        const less = new Set(keys.filter((_, i) => fewer[i] && more[i]));
        const besides = new Set(keys.filter((_, i) => fewer[i]));
        for (const intruder of intruders) {
          const before = listed(publishedWith(grid("n", rows), policy, less), intruder);
          const after = listed(publishedWith(grid("n", rows), policy, besides), intruder);
          for (const [key, [least, greatest]] of before) {
            expect(after.get(key)?.[0]).toBeLessThanOrEqual(least);
            expect(after.get(key)?.[1]).toBeGreaterThanOrEqual(greatest);
          }
        }
      }),
      { numRuns: 25 },
    );
  });

  test("no other choice of cells that passes hides fewer persons, and where one passes none is refused", () => {
    fc.assert(
      fc.property(fc.oneof(rowsOf(1, 2), rowsOf(1, 3), rowsOf(2, 2)), policies, (rows, policy) => {
        const table = grid("n", rows);
        const candidates = candidatesOf(table, policy);
        const costs = Array.from({ length: 2 ** candidates.length }, (_, bits) =>
          candidates.filter((__, i) => bits & (1 << i)),
        )
          .map((some) => ({ some, persons: some.reduce((sum, { persons }) => sum + persons, 0) }))
          .sort((a, b) => a.persons - b.persons);
        const passing = costs.find(({ some }) => {
          const publication = publishedWith(table, policy, new Set(some.map(({ key }) => key)));
          return unsafeTargets([publication], policy, solver, witnessesOf()).length === 0;
        });
        const release = released(table, policy);
        const hidden = candidates.filter(({ key }) => release?.figures.get(key)?.kind === "hidden");
        expect(release && hidden.reduce((sum, { persons }) => sum + persons, 0)).toBe(passing?.persons);
      }),
      { numRuns: 25 },
    );
  });

  test("the order of members, dimensions and tables changes nothing, nor does asking again", () => {
    fc.assert(
      fc.property(rowsOf(3, 3), policies, (rows, policy) => {
        const table = grid("n", rows);
        const reversed: Table = {
          ...table,
          dimensions: table.dimensions
            .map((one) => ({ ...one, whole: { ...one.whole, parts: [...(one.whole.parts ?? [])].reverse() } }))
            .reverse(),
          cells: [...table.cells].reverse(),
        };
        const [first, again, other] = [released(table, policy), released(table, policy), released(reversed, policy)];
        expect(again).toEqual(first);
        expect(other && [...other.figures]).toEqual(first && [...first.figures]);
      }),
      { numRuns: 25 },
    );
  });

  test("totals are rounded from true counts, not added up from rounded ones", () => {
    const policy = { ...smallPolicy, roundTo: 5 };
    const release = released(grid("n", [[7, 7, 7]]), policy);
    expect(release?.figures.get("n;column=c0;row=r0")).toMatchObject({ value: 5 });
    expect(release?.figures.get("n")).toMatchObject({ value: 20 });
    fc.assert(
      fc.property(tables, (rows) => {
        const total = rows.flat().reduce((sum, one) => sum + one, 0);
        const figure = released(grid("n", rows), policy)?.figures.get("n");
        if (figure?.kind === "shown") expect(figure.value).toBe(Math.round(total / 5) * 5);
      }),
    );
  });
});
