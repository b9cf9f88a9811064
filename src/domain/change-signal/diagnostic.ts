/** How often a signal was right in a study: counts of a two-by-two table. */
export interface TwoByTwo {
  readonly truePositive: number;
  readonly falseNegative: number;
  readonly falsePositive: number;
  readonly trueNegative: number;
}

/** What such a table comes to; each a share but the relative risk. */
export interface DiagnosticFigures {
  readonly sensitivity: number;
  readonly specificity: number;
  readonly positivePredictiveValue: number;
  readonly negativePredictiveValue: number;
  /** Risk with the signal over risk without it. */
  readonly relativeRisk: number;
}

/** The usual figures of a two-by-two table; NaN or Infinity where a row or column is empty. */
export function diagnosticFigures(table: TwoByTwo): DiagnosticFigures {
  const { truePositive: tp, falseNegative: fn, falsePositive: fp, trueNegative: tn } = table;
  return {
    sensitivity: tp / (tp + fn),
    specificity: tn / (tn + fp),
    positivePredictiveValue: tp / (tp + fp),
    negativePredictiveValue: tn / (tn + fn),
    relativeRisk: tp / (tp + fp) / (fn / (fn + tn)),
  };
}

/**
 * Two rules on daily use of home ventilation, tried on 21 people before an exacerbation and 41 without: Blouet et al. 2018,
 * Int J COPD 13:2577-2586. The nearest published analogue of a change signal on use; none exists for this therapy.
 */
export const ventilationAnalogues: readonly TwoByTwo[] = [
  { truePositive: 12, falseNegative: 9, falsePositive: 8, trueNegative: 33 },
  { truePositive: 17, falseNegative: 4, falsePositive: 15, trueNegative: 26 },
];

/** What must be said wherever a change signal is shown. */
export function changeSignalNote(): string {
  const shares = ventilationAnalogues.map((table) =>
    Math.round(100 * diagnosticFigures(table).positivePredictiveValue),
  );
  const [lowest, highest] = [Math.min(...shares), Math.max(...shares)];
  return `A hint for the worklist. No published study shows that a change in use predicts an infection in this therapy; in home ventilation, ${lowest} to ${highest} % of such signals were right (Blouet et al. 2018, Int J COPD 13:2577-2586), so many will be false, and some exacerbations came without one. More use and less use both have many causes.`;
}
