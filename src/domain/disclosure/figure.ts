import type { Cell } from "./counts.ts";
import type { DisclosurePolicy } from "./policy.ts";
import type { CellKey } from "./table.ts";

/** Whole numbers from `least` up to and including `greatest`. */
export interface Interval {
  readonly least: number;
  readonly greatest: number;
}

/** What is published of a cell: a value with the counts that it can stand for, or a star. `why` is never published. */
export type Figure =
  | ({ readonly kind: "shown"; readonly value: number } & Interval)
  | { readonly kind: "hidden"; readonly why: "small" | "dominance" | "secondary" };

/** A cell as published, for this audit and those of later releases. Keep it, and show nobody the two intervals. */
export interface PublishedCell {
  readonly key: CellKey;
  readonly hidden: boolean;
  /** Whether it is hidden because it is small. */
  readonly small: boolean;
  /** What the figure and the policy's text tell. */
  readonly figures: Interval;
  /** The same to one who knows whether a star is primary. */
  readonly roles: Interval;
  /** The width that must remain where it is hidden, for each intruder; 0 where it is shown. */
  readonly width: { readonly figures: number; readonly roles: number };
}

/** How a count appears when it is shown: rounded, with the counts above the small ones that round to the same value. */
export function shownFigure(persons: number, { small, roundTo }: DisclosurePolicy): Figure {
  const value = Math.floor(persons / roundTo + 0.5) * roundTo;
  const leastRounded = Math.ceil(value - roundTo / 2);
  const greatest = Math.ceil(value + roundTo / 2) - 1;
  if (persons < small.least) return exact(persons);
  return { kind: "shown", value, least: Math.max(leastRounded, small.greatest + 1), greatest };
}

/** Primary suppression: what this cell alone asks for. */
export function primaryFigure(cell: Cell, policy: DisclosurePolicy): Figure {
  if (cell.structuralZero || isUncontrolled(cell, policy)) return exact(cell.persons);
  const { least, greatest } = policy.small;
  if (cell.persons >= least && cell.persons <= greatest) return { kind: "hidden", why: "small" };
  if (cell.persons > 0 && (cell.greatestSitePersons ?? 0) / cell.persons > policy.greatestSiteShare)
    return { kind: "hidden", why: "dominance" };
  return shownFigure(cell.persons, policy);
}

/** Whether the cell may be hidden for others' sake: it is shown, is not known to all, and is no zero that a star denies. */
export function canBeHidden(cell: Cell, policy: DisclosurePolicy): boolean {
  return !isUncontrolled(cell, policy) && primaryFigure(cell, policy).kind === "shown" && cell.persons > 0;
}

/** The cell as one with this figure publishes it; `ceiling` is the greatest count that anybody would believe. */
export function publishedCell(cell: Cell, figure: Figure, policy: DisclosurePolicy, ceiling: number): PublishedCell {
  if (figure.kind === "shown") {
    const shown = { least: figure.least, greatest: figure.greatest };
    const width = { figures: 0, roles: 0 };
    return { key: cell.key, hidden: false, small: false, figures: shown, roles: shown, width };
  }
  const above = { least: policy.small.greatest + 1, greatest: ceiling };
  const forSite = figure.why === "dominance" ? Math.ceil(policy.dominanceWidthShare * cell.persons) : 0;
  return {
    key: cell.key,
    hidden: true,
    small: figure.why === "small",
    figures: { least: policy.small.least, greatest: ceiling },
    roles: figure.why === "small" ? policy.small : above,
    width: {
      figures: Math.max(policy.minimumWidth.figures, forSite),
      roles: Math.max(policy.minimumWidth.roles, forSite),
    },
  };
}

function isUncontrolled(cell: Cell, policy: DisclosurePolicy): boolean {
  return cell.national && policy.nationalUncontrolled;
}

function exact(persons: number): Figure {
  return { kind: "shown", value: persons, least: persons, greatest: persons };
}
