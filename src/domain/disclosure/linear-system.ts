/** `times` times one unknown. */
export interface Term {
  readonly variable: number;
  readonly times: number;
}

/** The sum of the terms lies from `least` up to and including `greatest`; either may be infinite. */
export interface LinearRow {
  readonly terms: readonly Term[];
  readonly least: number;
  readonly greatest: number;
}

/** Unknown whole numbers, each with its bounds (finite, inclusive), and the rows that they obey. */
export interface LinearSystem {
  readonly least: readonly number[];
  readonly greatest: readonly number[];
  readonly rows: readonly LinearRow[];
}

/** A solution at which the goal is least or greatest, or why there is none. */
export type Extreme =
  | { readonly kind: "found"; readonly values: readonly number[] }
  | { readonly kind: "impossible" }
  | { readonly kind: "given-up" };

/** A system that a solver holds; `close` gives back what it holds it with. */
export interface OpenedSystem {
  readonly extreme: (goal: readonly Term[], sense: "least" | "greatest") => Extreme;
  readonly close: () => void;
}

/** Finds extremes of linear goals over whole numbers. What it finds is checked, so it need not be trusted. */
export type IntervalSolver = (system: LinearSystem) => OpenedSystem;

/** The value of a sum of terms. */
export function sumOf(terms: readonly Term[], values: readonly number[]): number {
  return terms.reduce((sum, { variable, times }) => sum + times * (values[variable] ?? Number.NaN), 0);
}

/** Whether these values are whole and obey every bound and row, in exact arithmetic. */
export function satisfies({ least, greatest, rows }: LinearSystem, values: readonly number[]): boolean {
  return (
    values.length === least.length &&
    values.every(
      (value, i) => Number.isSafeInteger(value) && value >= (least[i] ?? 0) && value <= (greatest[i] ?? 0),
    ) &&
    rows.every(({ terms, ...bounds }) => {
      const sum = sumOf(terms, values);
      return sum >= bounds.least && sum <= bounds.greatest;
    })
  );
}
