import { accepted, type Result, refused } from "../result.ts";
import { type Audit, type AuditReach, audit } from "./audit.ts";
import { boundedSolver } from "./bounded-solver.ts";
import { componentSolver } from "./component-solver.ts";
import { type Cell, cellsOf } from "./counts.ts";
import { canBeHidden, type Figure, primaryFigure, publishedCell } from "./figure.ts";
import { indexed } from "./indexed-system.ts";
import { intruderSystem, type Publication, unknownsOf } from "./intruder.ts";
import { type IntervalSolver, satisfies } from "./linear-system.ts";
import type { DisclosurePolicy } from "./policy.ts";
import { type Nesting, relationsOf } from "./relation.ts";
import { heuristicSecondary } from "./rule-of-thumb.ts";
import { type Hiding, leastSecondary, type Puzzle, type SearchBounds } from "./secondary.ts";
import type { CellKey, Table } from "./table.ts";
import { nameOf } from "./target.ts";
import { type Witnesses, witnessesOf } from "./witness.ts";

/** What is asked of one release. */
export interface ReleaseRequest {
  readonly name: string;
  readonly tables: readonly Table[];
  /** Pairs of cells, of these tables or of earlier releases, of which one counts a part of the other's persons. */
  readonly nestings?: readonly Nesting[];
  readonly policy: DisclosurePolicy;
  /** All that was published before and shares persons with this. */
  readonly earlier?: readonly Publication[];
  /** True counts of cells that only earlier releases name, where they are kept: with them the audit starts from the truth. */
  readonly earlierPersons?: Readonly<Record<CellKey, number>>;
  readonly solver: IntervalSolver;
  /** The greatest count that anybody would believe, such as a catchment's population; absent: far above all counts. */
  readonly ceiling?: number;
  readonly bounds?: ReleaseBounds;
}

/** How much work one release may cost; beyond, it is refused. */
export interface ReleaseBounds extends SearchBounds, AuditReach {
  /** Above this number of cells that could be hidden, the rule of thumb decides without trying the exact search. */
  readonly exactCandidates: number;
  /** Questions put to the solver by each search, and again by the audit; one costs from a millisecond to some tens. */
  readonly questions: number;
}

/** A choice of this service: some ten seconds of work on one core at the most, for tables of some hundred cells. */
export const usualBounds: ReleaseBounds = {
  exactCandidates: 600,
  rounds: 200,
  looks: 2_000_000,
  nodes: 10_000,
  questions: 6000,
  hides: 10_000,
  endsOf: 300,
};

/** A release that passed its audit. */
export interface Release {
  /** What may be shown, by key. Of a hidden figure show a star, never why. */
  readonly figures: ReadonlyMap<CellKey, Figure>;
  /** Keep it for the audits of later releases; it holds what must not be shown. */
  readonly publication: Publication;
  readonly audit: Audit;
  /** `least`: no other choice of cells hides fewer persons; `rule-of-thumb`: another might. */
  readonly method: "none-needed" | "least" | "rule-of-thumb";
}

/**
 * Applies a policy to the linked tables of one release. Refused with `invalid` where the counts are inconsistent, with
 * `conflict` where an earlier release said something else of a cell, with `business-rule` where no hiding makes the
 * release safe, and with `too-costly` where that could not be decided within the bounds.
 */
export function disclose(request: ReleaseRequest): Result<Release> {
  const relations = relationsOf(request.tables);
  const counted = cellsOf(request.tables, relations);
  if (!counted.ok) return counted;
  const cells = counted.value;
  const most = Math.max(0, ...cells.map(({ persons }) => persons));
  if ((request.ceiling ?? most) < most)
    return refused({ kind: "invalid", detail: `The ceiling must not be below the greatest count, ${most}.` });
  const publish = publisher(request, cells);
  const base = truth(request, cells, publish(new Set())) ?? anyTable(publish(new Set()), request.solver);
  if (base === "contradicted") return contradicted();
  const witnesses = witnessesOf(base);
  const bounds = request.bounds ?? usualBounds;
  const hiding = search(request, cells, publish, witnesses, bounds);
  if (hiding.kind === "impossible") {
    const detail = `${nameOf(hiding.target)} can be worked out whatever is hidden: publish a coarser table.`;
    return refused({ kind: "business-rule", detail });
  }
  if (hiding.kind === "given-up") return tooCostly();
  const hidden = new Set(hiding.hidden);
  const publications = publish(hidden);
  const { solver } = boundedSolver(request.solver, bounds.questions);
  const audited = audit(publications, request.policy, solver, witnesses, bounds);
  const publication = publications.at(-1);
  if (!audited.passes || publication === undefined) return tooCostly();
  const figures = new Map(cells.map((cell) => [cell.key, figureOf(cell, hidden, request.policy)]));
  const method = hidden.size === 0 ? "none-needed" : hiding.least ? "least" : "rule-of-thumb";
  return accepted({ figures, publication, audit: audited, method });
}

function contradicted(): Result<never> {
  const detail = "An earlier release said otherwise of a cell: publish that figure again, or name the new count apart.";
  return refused({ kind: "conflict", detail });
}

/** Any counts that fit all that is published, and so all that is told when more is hidden; nothing where none are found. */
function anyTable(publications: readonly Publication[], solver: IntervalSolver) {
  const system = intruderSystem(publications, "roles");
  const apart = componentSolver(indexed(system), solver);
  try {
    const values = apart.anyTable([]);
    if (values === "impossible") return "contradicted";
    return values !== "given-up" && satisfies(system, values) ? values : undefined;
  } finally {
    apart.close();
  }
}

function tooCostly(): Result<never> {
  const detail = "It could not be shown within the bounds that this release is safe: publish fewer or coarser tables.";
  return refused({ kind: "too-costly", detail });
}

function search(
  request: ReleaseRequest,
  cells: readonly Cell[],
  publish: Puzzle["publish"],
  witnesses: Witnesses,
  bounds: ReleaseBounds,
): Hiding {
  const candidates = cells.filter((cell) => canBeHidden(cell, request.policy));
  const puzzle = { candidates, publish, policy: request.policy, witnesses };
  if (candidates.length <= bounds.exactCandidates) {
    const { solver, gaveUp } = boundedSolver(request.solver, bounds.questions);
    const hiding = leastSecondary({ ...puzzle, solver }, bounds);
    // What was decided on a question left open is neither the least nor impossible.
    if (hiding.kind !== "given-up" && !gaveUp()) return hiding;
  }
  const { solver, gaveUp } = boundedSolver(request.solver, bounds.questions);
  const hiding = heuristicSecondary({ ...puzzle, solver }, bounds);
  return hiding.kind === "impossible" && gaveUp() ? { kind: "given-up" } : hiding;
}

function figureOf(cell: Cell, hidden: ReadonlySet<CellKey>, policy: DisclosurePolicy): Figure {
  return hidden.has(cell.key) ? { kind: "hidden", why: "secondary" } : primaryFigure(cell, policy);
}

/** Everything as it will stand once these cells are hidden beside the primary ones. */
function publisher(request: ReleaseRequest, cells: readonly Cell[]): Puzzle["publish"] {
  const { name, policy, nestings = [], earlier = [], ceiling = farAbove(cells) } = request;
  const relations = relationsOf(request.tables);
  return (hidden) => [
    ...earlier,
    {
      name,
      relations,
      nestings,
      cells: cells.map((cell) => publishedCell(cell, figureOf(cell, hidden, policy), policy, ceiling)),
    },
  ];
}

/** An end for every interval where none is given; a lower one could only make the audit stricter. Our choice. */
function farAbove(cells: readonly Cell[]): number {
  return cells.reduce((most, { persons }) => Math.max(most, 2 * persons), 100);
}

/** The true counts, which fit what is published; nothing where earlier releases know cells whose counts are not kept. */
function truth(
  { earlier = [], earlierPersons = {} }: ReleaseRequest,
  cells: readonly Cell[],
  publications: readonly Publication[],
): readonly number[] | "contradicted" | undefined {
  const persons = new Map(cells.map((cell) => [cell.key, cell.persons]));
  const contradicts = earlier.some((publication) =>
    publication.cells.some(({ key, roles }) => {
      const now = persons.get(key);
      return now !== undefined && (now < roles.least || now > roles.greatest);
    }),
  );
  if (contradicts) return "contradicted";
  const values = unknownsOf(publications).map((key) => persons.get(key) ?? earlierPersons[key] ?? Number.NaN);
  if (values.some(Number.isNaN)) return undefined;
  if (satisfies(intruderSystem(publications, "roles"), values)) return values;
  // Counts of this release alone that do not fit are wrong; those kept may have been counted otherwise.
  return values.length === cells.length ? "contradicted" : undefined;
}
