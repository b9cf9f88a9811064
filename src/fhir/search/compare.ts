import type { RangeTest } from "./query.ts";

/**
 * Whether a stored half-open range `[low, high)` answers a date test, as the table of prefixes says
 * (https://hl7.org/fhir/R4/search.html#prefix). An open end is infinite. The store's SQL is tested against this function.
 */
export function rangeMatches(test: RangeTest, low: number, high: number): boolean {
  switch (test.prefix) {
    case "sa":
      return low >= test.high;
    case "eb":
      return high <= test.low;
    case "ap":
      return low < test.high && high > test.low;
    default:
      return sharedTest(test, low, high);
  }
}

/** The same for numbers and quantities, where both ranges are closed and most are a single value. */
export function numberMatches(test: RangeTest, low: number, high: number): boolean {
  switch (test.prefix) {
    case "sa":
      return low > test.high;
    case "eb":
      return high < test.low;
    case "ap":
      return low <= test.high && high >= test.low;
    default:
      return sharedTest(test, low, high);
  }
}

function sharedTest(test: RangeTest, low: number, high: number): boolean {
  const inside = low >= test.low && high <= test.high;
  switch (test.prefix) {
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
    default:
      return inside;
  }
}
