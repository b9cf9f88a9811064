import type { Counted, MeasureCode } from "../adherence.ts";
import { type Count, type Dimension, type Member, membersOf, placesOf } from "../disclosure/table.ts";
import { bandedMeasures, figureTexts } from "./catalogue.ts";
import { type SideName, sides, sideTitles } from "./dimensions.ts";
import type { FigureTable, FigureText, Period, PopulationFigures, Statistic } from "./figures.ts";
import { addValue, type Histogram, medianOf, merged, sizeOf } from "./histogram.ts";
import type { PersonPeriod } from "./person-period.ts";
import type { Places } from "./place.ts";

/** Something of each leaf: by figure and side, then by place, then by the part of the side. */
type Leaves<T> = Map<string, Map<string, Map<string, T>>>;

/** What is kept of the people counted so far: its size depends on places and figures, not on people. */
export interface Tally {
  readonly persons: Leaves<number>;
  /** Values of the medians. */
  readonly values: Leaves<Histogram>;
  readonly sums: Map<MeasureCode, Counted>;
}

/** A tally of nobody. */
export function emptyTally(): Tally {
  return { persons: new Map(), values: new Map(), sums: new Map() };
}

/** Adds one person. The order in which people are added does not matter. */
export function accumulate(tally: Tally, person: PersonPeriod, places: Places): void {
  const place = places.leafOf(person.organizationId);
  const values = Object.entries(person.values);
  for (const { name } of sides) {
    const part = person.at[name];
    for (const figure of person.counted) {
      const parts = partsAt(tally.persons, figure, name, place);
      parts.set(part, (parts.get(part) ?? 0) + 1);
    }
    for (const [figure, value] of values) {
      const parts = partsAt(tally.values, figure, name, place);
      const histogram = parts.get(part) ?? new Map();
      parts.set(part, histogram);
      addValue(histogram, value);
    }
  }
  for (const { code, numerator, denominator, eligible } of person.measures) {
    const sum = tally.sums.get(code) ?? { numerator: 0, denominator: 0, eligible: 0 };
    tally.sums.set(code, {
      numerator: sum.numerator + numerator,
      denominator: sum.denominator + denominator,
      eligible: sum.eligible + eligible,
    });
  }
}

/** All figures of everybody added: for each the tables by place, and by place and each of the other dimensions. */
export function figuresOf(tally: Tally, period: Period, places: Places, ruleVersion: string): PopulationFigures {
  const place = places.dimension;
  const shapes = sides.flatMap((by, index): Shape[] => [
    // Everybody is in one part of each side, so any of them will do for the table of places alone.
    ...(index === 0 ? [{ dimensions: [place], place, by }] : []),
    { dimensions: [place, by], place, by },
  ]);
  return {
    period,
    tables: figureTexts.flatMap((figure) => shapes.map((shape) => tableOf(tally, figure, period, shape))),
    titles: { place: places.titles, ...sideTitles },
    ruleVersion,
    sums: Object.fromEntries(
      bandedMeasures.map((code) => [code, tally.sums.get(code) ?? { numerator: 0, denominator: 0, eligible: 0 }]),
    ) as Record<MeasureCode, Counted>,
  };
}

/** The dimensions of a table, and the side whose parts its leaves are kept by. */
interface Shape {
  readonly dimensions: readonly Dimension[];
  readonly place: Dimension;
  readonly by: Dimension & { readonly name: SideName };
}

function tableOf(tally: Tally, { code, kind, unit }: FigureText, period: Period, shape: Shape): FigureTable {
  const { dimensions, place, by } = shape;
  const [leavesOfPlace, leavesOfSide] = [leavesBelow(place.whole), leavesBelow(by.whole)];
  const [persons, values] = [tally.persons.get(leavesKey(code, by.name)), tally.values.get(leavesKey(code, by.name))];
  const cells: Count[] = [];
  const statistics: Statistic[] = [];
  for (const at of placesOf(dimensions)) {
    const leaves = leavesOfPlace.get(at[place.name] ?? "") ?? [];
    const parts = leavesOfSide.get(at[by.name] ?? by.whole.key) ?? [];
    const histogramsAt = (leaf: string) => parts.flatMap((part) => values?.get(leaf)?.get(part) ?? []);
    const personsAt = (leaf: string) =>
      kind === "median"
        ? histogramsAt(leaf).reduce((sum, one) => sum + sizeOf(one), 0)
        : parts.reduce((sum, part) => sum + (persons?.get(leaf)?.get(part) ?? 0), 0);
    const contributors = leaves.reduce((sum, leaf) => sum + personsAt(leaf), 0);
    // Every table shows its sites themselves: that one is nearly the whole of a wider place tells no more than its own cell.
    cells.push({ at, persons: contributors });
    if (kind !== "median") continue;
    const median = medianOf(merged(leaves.flatMap(histogramsAt)));
    statistics.push({
      at,
      contributors,
      ...(median === undefined ? {} : { median: unit === "%" ? median / 10 : median }),
    });
  }
  const counts = `${code} ${period.code}`;
  return { counts, figure: code, dimensions, cells, ...(kind === "median" && { statistics }) };
}

/** The leaves of each member; of a leaf itself. */
function leavesBelow(whole: Member): ReadonlyMap<string, readonly string[]> {
  return new Map(
    membersOf(whole).map((member) => [
      member.key,
      membersOf(member)
        .filter(({ parts }) => parts === undefined || parts.length === 0)
        .map(({ key }) => key),
    ]),
  );
}

function partsAt<T>(leaves: Leaves<T>, figure: string, side: SideName, place: string): Map<string, T> {
  const key = leavesKey(figure, side);
  const byPlace = leaves.get(key) ?? new Map<string, Map<string, T>>();
  leaves.set(key, byPlace);
  const parts = byPlace.get(place) ?? new Map<string, T>();
  byPlace.set(place, parts);
  return parts;
}

function leavesKey(figure: string, side: SideName): string {
  return `${figure}|${side}`;
}
