import type { Prefix } from "./query.ts";

/**
 * The closed range that a number with a prefix asks for. Without one, or with `eq` or `ne`, it stands for all values
 * that round to it: 100 is [99.5, 100.5) and 100.00 is [99.995, 100.005) (https://hl7.org/fhir/R4/search.html#number).
 * Its line on 1e2, [95, 105), breaks its own rule of significant figures; R5 prints [50, 150), which is taken here. `ap` is a tenth to either side; the others compare with the number
 * itself.
 */
export function rangeOfNumber(prefix: Prefix, text: string): { readonly low: number; readonly high: number } {
  const value = Number(text);
  if (prefix === "ap") return { low: value - Math.abs(value) / 10, high: value + Math.abs(value) / 10 };
  if (prefix !== "eq" && prefix !== "ne") return { low: value, high: value };
  const half = halfOfLastDigit(text);
  return { low: decimal(value - half), high: decimal(value + half) };
}

/** The largest number that the closed index column may hold below a bound that is itself outside. */
export function justBelow(bound: number): number {
  return bound === 0 ? -Number.MIN_VALUE : bound - Math.abs(bound) * Number.EPSILON;
}

/** Half a unit of the last digit written: 0.5 for "100", 0.005 for "1.00", 0.5 for "1.00e2". */
function halfOfLastDigit(text: string): number {
  const [mantissa = "", exponent = "0"] = text.toLowerCase().split("e");
  const decimals = mantissa.includes(".") ? mantissa.length - mantissa.indexOf(".") - 1 : 0;
  return 0.5 * 10 ** (Number(exponent) - decimals);
}

/** Takes binary noise off a bound: 0.3 - 0.05 is 0.25. */
function decimal(value: number): number {
  return Number(value.toPrecision(15));
}
