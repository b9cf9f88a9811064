import { describe, expect, test } from "vitest";
import type { IntervalSolver } from "../../../src/domain/disclosure/linear-system.ts";
import { disclosurePolicies } from "../../../src/domain/disclosure/policy.ts";
import { disclose, type Release, type ReleaseRequest, usualBounds } from "../../../src/domain/disclosure/release.ts";
import { loadIntervalSolver } from "../../../src/flows/interval-solver.ts";
import { flat, grid, smallPolicy, tableOf } from "./example-tables.ts";

const solver = await loadIntervalSolver();
const { hes, "minimum-cell-11": cms } = disclosurePolicies;

function released(request: Omit<ReleaseRequest, "solver">): Release {
  const result = disclose({ ...request, solver });
  if (!result.ok) throw new Error(result.refusals[0]?.detail);
  return result.value;
}

function refusalOf(request: Omit<ReleaseRequest, "solver"> & { solver?: IntervalSolver }): string | undefined {
  const result = disclose({ solver, ...request });
  return result.ok ? undefined : result.refusals[0]?.kind;
}

function figuresOf({ figures }: Release): Record<string, number | "*"> {
  return Object.fromEntries([...figures].map(([key, figure]) => [key, figure.kind === "shown" ? figure.value : "*"]));
}

const sites = flat("site", ["harbour", "hill", "mill"]);
const persons: Readonly<Record<string, number>> = { harbour: 4, hill: 33, mill: 61 };
const bySite = tableOf("n", [sites], ({ site = "" }) => persons[site] ?? 0);

test("a table is rounded, its small count hidden, and no more where rounding keeps it in doubt", () => {
  const release = released({ name: "q1", tables: [bySite], policy: hes });
  expect(figuresOf(release)).toEqual({ n: 100, "n;site=harbour": "*", "n;site=hill": 35, "n;site=mill": 60 });
  expect(release.method).toBe("none-needed");
  expect(release.audit.passes).toBe(true);
});

test("as they are, the figures need a second star", () => {
  const release = released({ name: "q1", tables: [bySite], policy: cms });
  expect(figuresOf(release)).toEqual({ n: 98, "n;site=harbour": "*", "n;site=hill": "*", "n;site=mill": 61 });
  expect(release.method).toBe("least");
});

test("a site that is nearly all of a cell is hidden, and its count kept in doubt by a tenth", () => {
  const table = {
    ...bySite,
    cells: bySite.cells.map((cell) => (cell.at.site === "mill" ? { ...cell, greatestSitePersons: 60 } : cell)),
  };
  const release = released({ name: "q1", tables: [table], policy: hes });
  expect(figuresOf(release)["n;site=mill"]).toBe("*");
  const mill = release.audit.targets.find(({ name }) => name === "n;site=mill");
  expect(mill && mill.intervals.roles.greatest - mill.intervals.roles.least).toBeGreaterThanOrEqual(7);
});

test("a zero that everybody knows hides nothing, a zero that may be somebody does", () => {
  const rows = tableOf("n", [sites], ({ site = "" }) => ({ harbour: 0, hill: 4, mill: 80 })[site] ?? 0);
  const known = {
    ...rows,
    cells: rows.cells.map((cell) => (cell.at.site === "harbour" ? { ...cell, structuralZero: true as const } : cell)),
  };
  const policy = { ...disclosurePolicies["ons-10-5"], roundTo: 1 };
  const starsOf = (release: Release) =>
    Object.entries(figuresOf(release))
      .filter(([, figure]) => figure === "*")
      .map(([key]) => key);
  expect(starsOf(released({ name: "q1", tables: [known], policy }))).toEqual(["n;site=hill", "n;site=mill"]);
  // The two small sites together are known to be 4, a small group, so the third must be hidden here as well.
  expect(starsOf(released({ name: "q1", tables: [rows], policy }))).toEqual([
    "n;site=harbour",
    "n;site=hill",
    "n;site=mill",
  ]);
});

test("months of the same people do not give away who came and went", () => {
  const quarter = { key: "all", parts: [{ key: "january" }, { key: "february" }] };
  const month = { name: "month", whole: quarter, parts: "overlapping" as const };
  const table = {
    counts: "on therapy",
    dimensions: [month],
    cells: [
      { at: { month: "all" }, persons: 41 },
      { at: { month: "january" }, persons: 40 },
      { at: { month: "february" }, persons: 20 },
    ],
  };
  // One person was there in the quarter and not in January.
  const exact = released({ name: "q1", tables: [table], policy: cms });
  expect(figuresOf(exact)["on%20therapy;month=january"]).toBe("*");
  const rounded = released({ name: "q1", tables: [table], policy: hes });
  expect(Object.values(figuresOf(rounded))).toEqual([40, 20, 40]);
});

describe("what earlier releases told", () => {
  const first = released({ name: "q1", tables: [bySite], policy: cms });

  test("the same tables again are the same figures", () => {
    const second = released({ name: "q1 again", tables: [bySite], policy: cms, earlier: [first.publication] });
    expect(figuresOf(second)).toEqual(figuresOf(first));
  });

  test("a linked table later does not give away what was hidden before", () => {
    // By itself this table of two groups needs no star; with the first, its sum would give the hidden sites away.
    const groups = {
      key: "all",
      parts: [{ key: "small sites", parts: [{ key: "harbour" }, { key: "hill" }] }, { key: "mill" }],
    };
    const table = tableOf(
      "n",
      [{ name: "site", whole: groups, parts: "disjoint" }],
      ({ site = "" }) => persons[site] ?? 0,
    );
    const second = released({ name: "q2", tables: [table], policy: cms, earlier: [first.publication] });
    const cell = second.audit.targets.find(({ name }) => name === "n;site=harbour");
    expect(cell?.verdict).toBe("safe");
    expect(figuresOf(second)["n;site=hill"]).toBe("*");
  });

  test("a figure that was revised since is refused", () => {
    const revised = tableOf("n", [sites], ({ site = "" }) => (site === "mill" ? 70 : (persons[site] ?? 0)));
    expect(refusalOf({ name: "q1 revised", tables: [revised], policy: cms, earlier: [first.publication] })).toBe(
      "conflict",
    );
  });

  test("figures that no counts can fit together are refused", () => {
    const part = released({ name: "part", tables: [tableOf("part", [], () => 50)], policy: cms });
    const nestings = [{ whole: "n", part: "part" }];
    const whole = tableOf("n", [], () => 40);
    expect(refusalOf({ name: "whole", tables: [whole], policy: cms, earlier: [part.publication], nestings })).toBe(
      "conflict",
    );
  });
});

describe("a release is refused, not published half safe", () => {
  test("where its counts are wrong", () => {
    const wrong = {
      ...bySite,
      cells: bySite.cells.map((cell) => (cell.at.site === "all" ? { ...cell, persons: 99 } : cell)),
    };
    expect(refusalOf({ name: "q1", tables: [wrong], policy: cms })).toBe("invalid");
  });

  test("where its ceiling is below its counts", () => {
    expect(refusalOf({ name: "q1", tables: [bySite], policy: cms, ceiling: 97 })).toBe("invalid");
  });

  test("where nothing that may be hidden helps", () => {
    const places = { key: "all", national: true as const, parts: [{ key: "a" }, { key: "b" }] };
    const table = tableOf("n", [{ name: "place", whole: places, parts: "disjoint" }], ({ place }) =>
      place === "a" ? 2 : 0,
    );
    expect(refusalOf({ name: "q1", tables: [table], policy: { ...smallPolicy, nationalUncontrolled: true } })).toBe(
      "business-rule",
    );
  });

  test("where it could not be settled within the bounds", () => {
    const bounds = { ...usualBounds, exactCandidates: 0, hides: 1 };
    expect(
      refusalOf({
        name: "q1",
        tables: [
          grid("n", [
            [1, 20],
            [30, 40],
          ]),
        ],
        policy: cms,
        bounds,
      }),
    ).toBe("too-costly");
  });

  test("where the solver gives tables that do not fit", () => {
    const liar: IntervalSolver = ({ least }) => ({
      extreme: () => ({ kind: "found", values: least.map(() => 999) }),
      close: () => undefined,
    });
    // With counts of an earlier release unknown there is no table to start from but what the solver gives.
    const other = released({ name: "other", tables: [tableOf("other", [], () => 5)], policy: cms });
    const request = { name: "q1", tables: [bySite], policy: cms, earlier: [other.publication], solver: liar };
    expect(refusalOf(request)).toBe("too-costly");
    // The true table and those near it are checked here, whatever the solver says.
    expect(refusalOf({ ...request, earlierPersons: { other: 5 } })).toBeUndefined();
  });
});

test("a release too large to search in full is worked off by rule of thumb, and passes the same audit", () => {
  const rows = Array.from({ length: 12 }, (_, r) => Array.from({ length: 8 }, (__, c) => (r * 7 + c * 5) % 23));
  const release = released({
    name: "q1",
    tables: [grid("n", rows)],
    policy: cms,
    bounds: { ...usualBounds, exactCandidates: 50 },
  });
  expect(release.method).toBe("rule-of-thumb");
  expect(release.audit.passes).toBe(true);
});
