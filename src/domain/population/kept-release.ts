import type { Publication } from "../disclosure/intruder.ts";
import { holds, type Nesting, type Relation } from "../disclosure/relation.ts";
import type { CellKey } from "../disclosure/table.ts";
import type { Period, PopulationFigures } from "./figures.ts";
import { monthsOf } from "./period.ts";

/** A release as it is kept for the audits of later ones. It holds true counts: nobody is shown it. */
export interface KeptRelease {
  readonly period: Period;
  readonly publication: Publication;
  /** The true count of each cell. */
  readonly persons: Readonly<Record<CellKey, number>>;
  /** What each table counts, with the figure that it is of. */
  readonly figures: readonly { readonly counts: string; readonly figure: string }[];
  /** What it spent of the privacy budget, in thousandths of epsilon, where its counts carry noise. */
  readonly thousandths?: number;
}

/** Figures of what happened at any time of a period: who is counted in a month is counted in its quarter and its year. */
const accumulating: ReadonlySet<string> = new Set(["people-on-therapy", "new-starts", "stops"]);

/** Whether two periods have a day in common: only then the same event can be counted in both. */
export function sharesDays(one: Period, other: Period): boolean {
  return one.firstDay < other.endDay && other.firstDay < one.endDay;
}

/** Of the releases kept, those that share days with the period, and those that share days with these, and so on. */
export function linkedReleases(period: Period, kept: readonly KeptRelease[]): readonly KeptRelease[] {
  const linked = new Set<KeptRelease>();
  for (let reached: readonly Period[] = [period]; reached.length > 0; ) {
    const next = kept.filter((one) => !linked.has(one) && reached.some((near) => sharesDays(near, one.period)));
    for (const one of next) linked.add(one);
    reached = next.map((one) => one.period);
  }
  return kept.filter((one) => linked.has(one));
}

/** What each table counts, by figure. */
export function figuresOf({ tables }: Pick<PopulationFigures, "tables">): KeptRelease["figures"] {
  const found = new Map(tables.map(({ counts, figure }) => [counts, { counts, figure }]));
  return [...found.values()];
}

/**
 * What everybody knows of months within a quarter or a year: whoever is counted in the part is counted in the whole, and
 * where all months (or quarters) were published, the whole is no more than their sum. Only for figures that accumulate, and only where the true counts bear it out: a person may move between two places.
 */
export function calendarRelations(
  releases: readonly Omit<KeptRelease, "publication">[],
): Pick<Publication, "relations" | "nestings"> {
  const persons = new Map(releases.flatMap((one) => Object.entries(one.persons)));
  const byPeriod = new Map(releases.map((one) => [one.period.code, { period: one.period, cells: cellsOf(one) }]));
  const relations: Relation[] = [];
  const nestings: Nesting[] = [];
  for (const outer of byPeriod.values()) {
    const inner = [...byPeriod.values()].filter(
      ({ period }) => period !== outer.period && liesIn(period, outer.period),
    );
    for (const [place, whole] of outer.cells) {
      const parts = inner.flatMap(({ period, cells }) => {
        const key = cells.get(place);
        return key === undefined ? [] : [{ period, key }];
      });
      for (const { key: part } of parts)
        if ((persons.get(part) ?? 0) <= (persons.get(whole) ?? 0)) nestings.push({ whole, part });
      for (const kind of ["month", "quarter"] as const) {
        const some = parts.filter(({ period }) => period.kind === kind);
        const relation: Relation = { kind: "union", whole, parts: some.map(({ key }) => key).sort() };
        const covered = some.reduce((count, { period }) => count + monthsOf(period).length, 0);
        const isAll = covered === monthsOf(outer.period).length;
        if (isAll && holds(relation, (key) => persons.get(key))) relations.push(relation);
      }
    }
  }
  return { relations, nestings };
}

function liesIn(inner: Period, outer: Period): boolean {
  return outer.firstDay <= inner.firstDay && inner.endDay <= outer.endDay;
}

/** Keys of the cells of figures that accumulate, by figure and place: the same in releases of other periods. */
function cellsOf({ persons, figures }: Omit<KeptRelease, "publication">) {
  const cells = new Map<string, CellKey>();
  for (const { counts, figure } of figures) {
    if (!accumulating.has(figure)) continue;
    const name = encodeURIComponent(counts);
    for (const key of Object.keys(persons))
      if (key === name || key.startsWith(`${name};`)) cells.set(`${figure}${key.slice(name.length)}`, key);
  }
  return cells;
}
