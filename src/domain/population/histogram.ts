/**
 * How often each value occurs: values are whole steps (days, tenths of per cent), so the memory is bounded by the number of
 * different steps and not by the number of people.
 */
export type Histogram = Map<number, number>;

/** Counts one value. */
export function addValue(histogram: Histogram, value: number, times = 1): void {
  histogram.set(value, (histogram.get(value) ?? 0) + times);
}

/** All values of these histograms in one. */
export function merged(histograms: readonly Histogram[]): Histogram {
  const all: Histogram = new Map();
  for (const one of histograms) for (const [value, times] of one) addValue(all, value, times);
  return all;
}

/** How many values it holds. */
export function sizeOf(histogram: Histogram): number {
  return histogram.values().reduce((sum, times) => sum + times, 0);
}

/** The median of the values held, exactly; of an even number the mean of the middle two. Undefined when there is none. */
export function medianOf(histogram: Histogram): number | undefined {
  const size = sizeOf(histogram);
  if (size === 0) return undefined;
  const sorted = [...histogram].sort(([a], [b]) => a - b);
  return (valueAt(sorted, Math.floor((size - 1) / 2)) + valueAt(sorted, Math.floor(size / 2))) / 2;
}

function valueAt(sorted: readonly (readonly [value: number, times: number])[], index: number): number {
  let seen = 0;
  for (const [value, times] of sorted) {
    seen += times;
    if (index < seen) return value;
  }
  throw new Error("the index lies beyond the histogram");
}
