import type { RangeTest } from "./query.ts";

/**
 * Whether a stored half-open range `[low, high)` answers a date test, as the table of prefixes says
 * (https://hl7.org/fhir/R4/search.html#prefix). The store's SQL is tested against this function.
 */
export function rangeMatches(test: RangeTest, low: number, high: number): boolean {
  const inside = low >= test.low && high <= test.high;
  switch (test.prefix) {
    case "eq":
      return inside;
    case "ne":
      return !inside;
    case "gt":
      return high > test.high;
    case "lt":
      return low < test.low;
    case "ge":
      return inside || high > test.high;
    case "le":
      return inside || low < test.low;
    case "sa":
      return low >= test.high;
    case "eb":
      return high <= test.low;
    case "ap":
      return low < test.high && high > test.low;
  }
}
