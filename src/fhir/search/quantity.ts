import { accepted, type Result, refused } from "../../domain/result.ts";
import { hash64 } from "./atoms.ts";
import type { QuantityEntry } from "./index-values.ts";
import type { Prefix, RangeTest } from "./query.ts";

const ucum = "http://unitsofmeasure.org";

/**
 * UCUM units of this trade with their factor to the canonical unit of the same dimension (ucum-essence.xml: m[H2O] is
 * 9.80665 kPa and m[Hg] 133.3220 kPa exactly). Any other unit is compared only with itself.
 */
const canonicalUnits: Readonly<Record<string, readonly [unit: string, factor: number]>> = {
  "cm[H2O]": ["Pa", 98.0665],
  kPa: ["Pa", 1_000],
  hPa: ["Pa", 100],
  mbar: ["Pa", 100],
  Pa: ["Pa", 1],
  "mm[Hg]": ["Pa", 133.322],
  "L/min": ["L/s", 1 / 60],
  "l/min": ["L/s", 1 / 60],
  "L/s": ["L/s", 1],
  mL: ["L", 0.001],
  L: ["L", 1],
  ms: ["s", 0.001],
  s: ["s", 1],
  min: ["s", 60],
  h: ["s", 3_600],
};

/** Canonical unit and factor of a UCUM code; annotations in braces carry no meaning and count as 1. */
function canonicalOf(code: string): readonly [unit: string, factor: number] {
  const bare = code.replace(/\{[^}]*\}/g, "") || "1";
  return canonicalUnits[bare] ?? [bare, 1];
}

/** Unit hash of a UCUM code, or of a code of another system; "0" means that the unit does not matter. */
function unitHash(system: string, code: string): string {
  return hash64(`unit\n${system}\n${system === ucum ? canonicalOf(code)[0] : code}`);
}

/**
 * What to index of a number or Quantity: once in its canonical unit, once as written under its unit text for queries
 * that name no system, and once without a unit. A comparator opens the range on its side.
 */
export function quantitiesOf(value: unknown, key: string): QuantityEntry[] {
  if (typeof value === "number") return [{ key, unit: "0", low: value, high: value }];
  const one = value as { value?: unknown; unit?: string; system?: string; code?: string; comparator?: string } | null;
  if (typeof one?.value !== "number") return [];
  const low = one.comparator?.startsWith("<") ? Number.NEGATIVE_INFINITY : one.value;
  const high = one.comparator?.startsWith(">") ? Number.POSITIVE_INFINITY : one.value;
  const entries: QuantityEntry[] = [{ key, unit: "0", low, high }];
  if (one.code === undefined || one.system === undefined) return entries;
  const factor = one.system === ucum ? canonicalOf(one.code)[1] : 1;
  entries.push({ key, unit: unitHash(one.system, one.code), low: low * factor, high: high * factor });
  return entries;
}

/**
 * Reads `[prefix][number]`, optionally `|system|code`, into a range. Without a prefix a number stands for all values
 * that round to it: 100 is [99.5, 100.5) and 1.00e2 the same (https://hl7.org/fhir/R4/search.html#number).
 */
export function quantityTest(value: string): Result<RangeTest & { readonly unit?: string }> {
  const [numberText = "", system, code] = value.split("|");
  const match = /^(eq|ne|gt|lt|ge|le|sa|eb|ap)?([+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?)$/.exec(numberText);
  if (match === null) {
    const detail = `"${value}" is no number with an optional prefix. Write for example lt160, or lt160|${ucum}|L/min with a unit.`;
    return refused({ kind: "value", detail, status: 400 });
  }
  const prefix = (match[1] ?? "eq") as Prefix;
  const range = numberRange(prefix, match[2] ?? "");
  if (code === undefined || code === "") return accepted({ prefix, ...range });
  const unitSystem = system === undefined || system === "" ? ucum : system;
  const factor = unitSystem === ucum ? canonicalOf(code)[1] : 1;
  return accepted({ prefix, low: range.low * factor, high: range.high * factor, unit: unitHash(unitSystem, code) });
}

function numberRange(prefix: Prefix, text: string): { low: number; high: number } {
  const value = Number(text);
  if (prefix === "ap") return { low: value - Math.abs(value) / 10, high: value + Math.abs(value) / 10 };
  if (prefix !== "eq" && prefix !== "ne") return { low: value, high: value };
  const [mantissa = "", exponent = "0"] = text.toLowerCase().split("e");
  const decimals = mantissa.includes(".") ? mantissa.length - mantissa.indexOf(".") - 1 : 0;
  const half = 0.5 * 10 ** (Number(exponent) - decimals);
  return { low: value - half, high: value + half };
}
