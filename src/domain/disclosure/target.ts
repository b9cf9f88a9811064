import type { Interval, PublishedCell } from "./figure.ts";
import type { Intruder, Publication } from "./intruder.ts";
import type { DisclosurePolicy } from "./policy.ts";
import type { CellKey } from "./table.ts";

/**
 * A count that must stay in doubt. `cell`: a hidden one. `sum`: the small cells of one whole, together, which are often a
 * small group themselves. `difference`: a whole without one of its parts, the count that two tables can give away though
 * neither shows it.
 */
export interface Target {
  readonly kind: "cell" | "sum" | "difference";
  readonly plus: readonly CellKey[];
  readonly minus: readonly CellKey[];
  readonly width: { readonly figures: number; readonly roles: number };
}

/** The target as a text, for order and reports: `a + b - c`. */
export function nameOf({ plus, minus }: Target): string {
  return [plus.join(" + "), ...minus].join(" - ");
}

/** All targets of the publications together, each once, in the order of their names. */
export function targetsOf(publications: readonly Publication[], policy: DisclosurePolicy): readonly Target[] {
  const width = policy.minimumWidth;
  const cells = publications.flatMap((publication) => publication.cells);
  const shown = new Set(cells.filter((cell) => !cell.hidden).map(({ key }) => key));
  const starred = new Set(cells.filter((cell) => cell.hidden).map(({ key }) => key));
  // A star does not take back what another release showed, so such a cell is no part of an unknown sum.
  const small = new Set(cells.filter((cell) => cell.small && !shown.has(cell.key)).map(({ key }) => key));
  const sums = publications
    .flatMap(({ relations }) => relations)
    .filter(({ kind }) => kind === "sum")
    .map(({ parts }) => parts.filter((part) => small.has(part)))
    .filter((parts) => parts.length > 1)
    .map((parts): Target => ({ kind: "sum", plus: parts, minus: [], width }));
  const nested = publications.flatMap(({ relations, nestings }) => [
    ...nestings,
    ...relations
      .filter(({ kind }) => kind === "union")
      .flatMap(({ whole, parts }) => parts.map((part) => ({ whole, part }))),
  ]);
  const differences = nested.map(
    ({ whole, part }): Target => ({ kind: "difference", plus: [whole], minus: [part], width }),
  );
  const targets = [...hiddenCells(cells, starred), ...sums, ...differences];
  const named = new Map(targets.map((target) => [nameOf(target), target]));
  return [...named].sort(([a], [b]) => (a < b ? -1 : 1)).map(([, target]) => target);
}

/** A cell that any release hid stays in doubt as each of them asks. */
function hiddenCells(cells: readonly PublishedCell[], starred: ReadonlySet<CellKey>): readonly Target[] {
  const widths = new Map([...starred].map((key) => [key, { figures: 0, roles: 0 }]));
  for (const { key, width } of cells) {
    const known = widths.get(key);
    if (known === undefined) continue;
    known.figures = Math.max(known.figures, width.figures);
    known.roles = Math.max(known.roles, width.roles);
  }
  return [...widths].map(([key, width]) => ({ kind: "cell", plus: [key], minus: [], width }));
}

/** How much doubt is enough: values `width` apart, or one above `above`. */
export interface Doubt {
  readonly width: number;
  readonly above: number;
}

/**
 * What must stay in doubt of a target. Sums and differences are no one's figure, so only small ones matter: one that can
 * exceed the small counts tells of no small group.
 */
export function doubtOf(target: Target, intruder: Intruder, policy: DisclosurePolicy): Doubt {
  const above = target.kind === "cell" ? Number.POSITIVE_INFINITY : policy.small.greatest;
  return { width: target.width[intruder], above };
}

/** Whether values as far apart as these leave enough doubt. */
export function leaves({ least, greatest }: Interval, { width, above }: Doubt): boolean {
  return greatest - least >= width || greatest > above;
}
