import type { Counted, MeasureCode } from "../adherence.ts";
import type { Table } from "../disclosure/table.ts";
import type { LocalDay } from "../time.ts";

/** A month, a quarter or a year of the fixed grid: nobody chooses other limits. */
export interface Period {
  /** `2026-05`, `2026-Q2` or `2026`. */
  readonly code: string;
  readonly kind: "month" | "quarter" | "year";
  /** Half-open. */
  readonly firstDay: LocalDay;
  readonly endDay: LocalDay;
}

/** A number other than a count, of the persons of one cell: shown when their number may be. */
export interface Statistic {
  /** The members, as in the table's cells. */
  readonly at: Readonly<Record<string, string>>;
  /** The median, in the figure's unit; absent where nobody contributes. Each person contributes one value. */
  readonly median?: number;
  readonly contributors: number;
}

/** One table of one figure. `counts` names figure and period, so that tables of the same figure and period share cells. */
export interface FigureTable extends Table {
  /** Code of the figure, such as `people-on-therapy` or `days-used.low`. */
  readonly figure: string;
  /** Medians of the cells; for figures that are medians. Their contributors are the cells of this table. */
  readonly statistics?: readonly Statistic[];
}

/** What one figure is, in words for the reader of a release. */
export interface FigureText {
  readonly code: string;
  readonly title: string;
  /** What a person must be to be counted, or what the median is of. */
  readonly definition: string;
  /** UCUM: `1` for persons, `d` for days, `%` for per cent. */
  readonly unit: "1" | "d" | "%";
  readonly kind: "count" | "median";
  /** The figure that this is a part of, for percentages. */
  readonly outOf?: string;
}

/** Everything that a release is made from, true counts throughout. */
export interface PopulationFigures {
  readonly period: Period;
  readonly tables: readonly FigureTable[];
  /** Titles of the members of each dimension, by dimension and key. */
  readonly titles: Readonly<Record<string, Readonly<Record<string, string>>>>;
  /** Rule version of the measures that it was computed with: the tenant's; single plans may override it. */
  readonly ruleVersion: string;
  /** Numerators, denominators and eligible of everybody's measures, added up: to check against individual reports, not to publish. */
  readonly sums?: Readonly<Record<MeasureCode, Counted>>;
}
