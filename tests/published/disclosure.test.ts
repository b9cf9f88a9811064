import { describe, expect, test } from "vitest";
import { solutionsOf } from "../../src/domain/disclosure/enumeration.ts";
import { intruderSystem, unknownsOf } from "../../src/domain/disclosure/intruder.ts";
import { disclosurePolicies } from "../../src/domain/disclosure/policy.ts";
import { disclose, type Release, type ReleaseRequest } from "../../src/domain/disclosure/release.ts";
import { cellKey } from "../../src/domain/disclosure/table.ts";
import { loadIntervalSolver } from "../../src/flows/interval-solver.ts";
import { tableOf, vignettePolicy, vignetteTable } from "../domain/disclosure/example-tables.ts";

const solver = await loadIntervalSolver();

function released(request: Omit<ReleaseRequest, "solver">): Release {
  const result = disclose({ ...request, solver });
  if (!result.ok) throw new Error(result.refusals[0]?.detail);
  return result.value;
}

function hiddenOf({ figures }: Release, why: string): string[] {
  return [...figures].filter(([, figure]) => figure.kind === "hidden" && figure.why === why).map(([key]) => key);
}

function hiddenPersons({ figures }: Release): number {
  return vignetteTable.cells
    .filter(({ at }) => figures.get(cellKey(vignetteTable, at))?.kind === "hidden")
    .reduce((sum, { persons }) => sum + persons, 0);
}

// Statistics Norway, GaussSuppression, vignette "Small count frequency table suppression" (CRAN), example with maxN = 1:
// the table and the cells that it hides are the vignette's, the solutions that remain are calculated.
describe("the GaussSuppression vignette's table of persons by age and country", () => {
  const release = released({ name: "vignette", tables: [vignetteTable], policy: vignettePolicy });

  test("young Portugal is hidden for itself, young Iceland, old Iceland and old Portugal for its sake", () => {
    expect(hiddenOf(release, "small")).toEqual(["persons;age=young;country=Portugal"]);
    expect(hiddenOf(release, "secondary")).toEqual([
      "persons;age=old;country=Iceland",
      "persons;age=old;country=Portugal",
      "persons;age=young;country=Iceland",
    ]);
    expect(release.method).toBe("least");
  });

  test("exactly three tables remain possible", () => {
    const keys = unknownsOf([release.publication]);
    const solutions = [...solutionsOf(intruderSystem([release.publication], "figures"))];
    const column = (age: string, country: string) =>
      solutions.map((values) => values[keys.indexOf(`persons;age=${age};country=${country}`)]);
    expect(solutions).toHaveLength(3);
    expect(column("young", "Iceland")).toEqual([2, 1, 0]);
    expect(column("young", "Portugal")).toEqual([0, 1, 2]);
    expect(column("old", "Iceland")).toEqual([3, 4, 5]);
    expect(column("old", "Portugal")).toEqual([4, 3, 2]);
  });

  test("the audit finds the same ends", () => {
    const intervals = release.audit.targets
      .filter(({ kind }) => kind === "cell")
      .map(({ name, intervals: found }) => [name, found.figures]);
    expect(Object.fromEntries(intervals)).toEqual({
      "persons;age=old;country=Iceland": { least: 3, greatest: 5 },
      "persons;age=old;country=Portugal": { least: 2, greatest: 4 },
      "persons;age=young;country=Iceland": { least: 0, greatest: 2 },
      "persons;age=young;country=Portugal": { least: 0, greatest: 2 },
    });
  });

  // Why we ask for more than the vignette does: of three hidden cells it is known that they are more than 1.
  test("one who knows which cells are primary finds every one of them out", () => {
    const solutions = [...solutionsOf(intruderSystem([release.publication], "roles"))];
    expect(solutions).toHaveLength(1);
  });

  test("with that one kept in doubt too, more persons are hidden", () => {
    const careful = { ...vignettePolicy, minimumWidth: { figures: 2, roles: 1 } };
    const more = released({ name: "careful", tables: [vignetteTable], policy: careful });
    expect(hiddenPersons(release)).toBe(2 + 3 + 4);
    expect(hiddenPersons(more)).toBeGreaterThan(9);
  });
});

// The pair of counts is calculated; see also tests/domain/disclosure/audit.test.ts.
describe("two releases of nested counts, 23 persons and then 22 of them", () => {
  const total = (counts: string, persons: number) => tableOf(counts, [], () => persons);
  const nestings = [{ whole: "all-sites", part: "all-but-one" }];

  test("as they are, the second is not shown, since the difference is one person", () => {
    const policy = disclosurePolicies["minimum-cell-11"];
    const first = released({ name: "first", tables: [total("all-sites", 23)], policy });
    const second = released({
      name: "second",
      tables: [total("all-but-one", 22)],
      policy,
      earlier: [first.publication],
      nestings,
    });
    expect(hiddenOf(second, "secondary")).toEqual(["all-but-one"]);
  });

  test("rounded to 25 and 20 both are shown: the difference is known to lie between 1 and 9", () => {
    const policy = disclosurePolicies.hes;
    const first = released({ name: "first", tables: [total("all-sites", 23)], policy });
    const second = released({
      name: "second",
      tables: [total("all-but-one", 22)],
      policy,
      earlier: [first.publication],
      nestings,
    });
    expect([...first.figures.values(), ...second.figures.values()]).toMatchObject([{ value: 25 }, { value: 20 }]);
    expect(second.audit.targets.map(({ intervals }) => intervals.figures)).toEqual([{ least: 1, greatest: 9 }]);
  });
});
