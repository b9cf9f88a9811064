/** The system of UCUM units. */
export const ucumSystem = "http://unitsofmeasure.org";

/**
 * UCUM units of this trade as a fraction of the canonical unit of their dimension; a fraction, because 162 L/min is
 * 2.7 L/s exactly only as 162 / 60 (ucum-essence.xml 2.0.1: m[H2O] is 9.80665 kPa, m[Hg] 133.3220 kPa).
 */
const canonicalUnits: Readonly<Record<string, readonly [unit: string, times: number, per: number]>> = {
  "cm[H2O]": ["Pa", 98.0665, 1],
  kPa: ["Pa", 1_000, 1],
  hPa: ["Pa", 100, 1],
  mbar: ["Pa", 100, 1],
  Pa: ["Pa", 1, 1],
  "mm[Hg]": ["Pa", 133.322, 1],
  "L/min": ["L/s", 1, 60],
  "l/min": ["L/s", 1, 60],
  "L/s": ["L/s", 1, 1],
  "l/s": ["L/s", 1, 1],
  mL: ["L", 1, 1_000],
  ml: ["L", 1, 1_000],
  L: ["L", 1, 1],
  l: ["L", 1, 1],
  ms: ["s", 1, 1_000],
  s: ["s", 1, 1],
  min: ["s", 60, 1],
  h: ["s", 3_600, 1],
};

/**
 * A number of a UCUM unit in the canonical unit of its dimension, to twelve digits so that equal amounts written in
 * two units are equal numbers. Annotations in braces carry no meaning (`{cycle}` is `1`). A unit that is not in the
 * table is its own canonical unit: it is compared only with itself.
 */
export function inCanonicalUnit(code: string, value: number): { readonly unit: string; readonly value: number } {
  const bare = code.replace(/\{[^}]*\}/g, "") || "1";
  const known = canonicalUnits[bare];
  if (known === undefined) return { unit: bare, value };
  const [unit, times, per] = known;
  return { unit, value: Number(((value * times) / per).toPrecision(12)) };
}
