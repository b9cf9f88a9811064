import { UcumLhcUtils, type UcumUnit, UnitTables } from "@lhncbc/ucum-lhc";

/** The system of UCUM units. */
export const ucumSystem = "http://unitsofmeasure.org";

/** How an amount of one unit becomes an amount of the canonical unit of its dimension. */
interface Conversion {
  readonly unit: string;
  convert(value: number): number;
  /** The other way: from the canonical unit. */
  invert(canonical: number): number;
}

/**
 * UCUM units of this trade as a fraction of the canonical unit of their dimension: what is asked for most is answered
 * without the library. A fraction, because 162 L/min is 2.7 L/s exactly only as 162 / 60 (ucum-essence.xml 2.0.1:
 * m[H2O] is 9.80665 kPa, m[Hg] 133.3220 kPa).
 */
export const tradeUnits: Readonly<Record<string, readonly [unit: string, times: number, per: number]>> = {
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
  "1": ["1", 1, 1],
};

/** Base units under the names this trade knows, with how many of them make one of the base: 1 Pa is 1 000 g.m-1.s-2. */
const namedBases: Readonly<Record<string, readonly [unit: string, times: number]>> = {
  "m-1.s-2.g1": ["Pa", 0.001],
  "m3.s-1": ["L/s", 1_000],
  m3: ["L", 1_000],
  s1: ["s", 1],
};

/**
 * Temperature scales, the special units whose amounts are compared. Réaumur's is left out: the library (7.1.10) has
 * water boil at 441 K in it. Logarithms stay as they are.
 */
const scales = new Set(["Cel", "degF"]);

/** Longer codes are taken as they are: the longest of the UCUM examples of common codes is half of this. */
const longestCode = 64;

/** Conversions kept; a client that invents units pushes out the oldest and no more. */
const mostKept = 500;

/** Only what the library worked out: reading a code takes it some 50 µs. */
const kept = new Map<string, Conversion>();

/**
 * A number of a UCUM unit in the canonical unit of its dimension, to twelve digits so that equal amounts written in
 * two units are equal numbers. Annotations in braces carry no meaning (`{cycle}` is `1`). Moles and equivalents are
 * dimensions of their own, as a count of cells is no amount of substance. A unit that UCUM does not know, a logarithm
 * and an arbitrary unit within a longer expression are their own canonical unit: compared only with themselves.
 */
export function inCanonicalUnit(code: string, value: number): { readonly unit: string; readonly value: number } {
  const { unit, convert } = conversionOf(code);
  return { unit, value: rounded(convert(value), value) };
}

/**
 * A number of one UCUM unit in another, to twelve digits; undefined where they are of different dimensions. Rounded
 * once, at the end: 4.5 L/s are 270 L/min and not 269.999999999.
 */
export function convertUcum(value: number, from: string, to: string): number | undefined {
  const [one, other] = [conversionOf(from), conversionOf(to)];
  return one.unit === other.unit ? rounded(other.invert(one.convert(value)), value) : undefined;
}

/** As `inCanonicalUnit`, by the UCUM library alone; what the table of trade units is held against. */
export function byLibrary(bare: string, value: number): { readonly unit: string; readonly value: number } {
  const { unit, convert } = keptConversion(bare);
  return { unit, value: rounded(convert(value), value) };
}

/** A range open on one side stays open, and an amount beyond what a double holds stays as it was sent. */
function rounded(converted: number, sent: number): number {
  // A decimal of at most eleven digits, six of them behind the point, is what its twelve digits say.
  const millionths = Math.round(converted * 1e6);
  if (Math.abs(millionths) < 1e11 && millionths / 1e6 === converted) return converted === 0 ? 0 : converted;
  return Number.isFinite(converted) ? Number(converted.toPrecision(12)) : sent;
}

/** A term that is an annotation alone is the number 1, behind a term it is nothing (https://ucum.org/ucum, 2.1, rule 6). */
function withoutAnnotations(code: string): string {
  if (!code.includes("{")) return code || "1";
  return code.replace(/\{[^{}]*\}/g, (_, at: number) => (at === 0 || "./(".includes(code.charAt(at - 1)) ? "1" : ""));
}

/** Conversions by the code as it was sent. */
const met = new Map<string, Conversion>();

function conversionOf(code: string): Conversion {
  const known = met.get(code);
  if (known !== undefined) return known;
  const made = bareConversion(withoutAnnotations(code));
  if (met.size >= mostKept) met.clear();
  met.set(code, made);
  return made;
}

function bareConversion(bare: string): Conversion {
  const known = Object.hasOwn(tradeUnits, bare) ? tradeUnits[bare] : undefined;
  if (known === undefined) return keptConversion(bare);
  const [unit, times, per] = known;
  return {
    unit,
    convert: (value) => (value * times) / per,
    invert: (canonical) => (canonical * per) / times,
  };
}

function keptConversion(bare: string): Conversion {
  const known = kept.get(bare);
  if (known !== undefined) return known;
  if (kept.size >= mostKept) {
    const [oldest] = kept.keys();
    if (oldest !== undefined) kept.delete(oldest);
  }
  const conversion = newConversion(bare);
  kept.set(bare, conversion);
  return conversion;
}

function newConversion(bare: string): Conversion {
  const itself: Conversion = { unit: bare, convert: (value) => value, invert: (value) => value };
  if (bare.length > longestCode || !isTerm(bare)) return itself;
  try {
    return libraryConversion(bare) ?? itself;
  } catch {
    return itself;
  }
}

/** A number; or letters, signs and whole brackets with an exponent behind them; or a quotation mark in place of a group. */
const component = /(?:"|\d+|(?:\[[!#-'*-Z^-z|~]*\]|[!#-'*,:-Z^-z|~]|\d+[*^])+(?:[+-]?\d+)?)/.source;
const term = `/?${component}(?:[./]${component})*`;
const wholeTerm = new RegExp(`^${term}$`);
const innermost = new RegExp(`\\(${term}\\)`, "g");

/** Groups within groups; the deepest of the UCUM examples of common codes has one. */
const deepest = 8;

/**
 * Whether a code is built as UCUM builds terms (https://ucum.org/ucum, the grammar). The library guesses at anything
 * else, and writes to the log what it cannot guess.
 */
function isTerm(bare: string): boolean {
  if (bare.includes('"')) return false;
  let rest = bare;
  for (let depth = 0; rest.includes("(") && depth < deepest; depth += 1) rest = rest.replace(innermost, '"');
  return wholeTerm.test(rest);
}

function libraryConversion(bare: string): Conversion | undefined {
  const library = UcumLhcUtils.getInstance();
  const { status, unit } = library.getSpecifiedUnit(bare, "validate");
  // Names such as `constructor` are found in the library's table, but are no units.
  if (status !== "valid" || typeof unit?.magnitude_ !== "number") return undefined;
  if (scales.has(unit.cnv_ ?? "")) {
    const through = (from: string, value: number, to: string) => library.convertUnitTo(from, value, to).toVal ?? value;
    return {
      unit: "K1",
      convert: (value) => through(bare, value, "K"),
      invert: (kelvin) => through("K", kelvin, bare),
    };
  }
  if (unit.cnv_ || !(unit.magnitude_ > 0) || !Number.isFinite(unit.magnitude_)) return undefined;
  const arbitrary = unit.isArbitrary_ ? arbitraryAtom(bare) : "";
  if (arbitrary === undefined) return undefined;
  const { name, perBase } = canonicalBase(unit, arbitrary);
  const factor = unit.magnitude_ * perBase;
  return { unit: name, convert: (value) => value * factor, invert: (canonical) => canonical / factor };
}

/** The arbitrary unit of `m[iU]/mL`: it may be multiplied but stands for nothing else (https://ucum.org/ucum, 3.2, rule 24). */
function arbitraryAtom(bare: string): string | undefined {
  const atom = /^[A-Za-z]{0,2}\[([^[\]]+)\](?:\/[^[\]]*)?$/.exec(bare)?.[1];
  // Table of arbitrary units of the same section: the international unit has two spellings.
  return atom === "IU" ? "iU" : atom;
}

const avogadro = 6.0221367e23;

/** Name of the canonical unit of a dimension, and how many of it make one of the base units. */
function canonicalBase(unit: UcumUnit, arbitrary: string): { readonly name: string; readonly perBase: number } {
  const bases = UnitTables.getInstance().dimVecIndexToBaseUnit_;
  const dimensions = (unit.dim_?.dimVec_ ?? []).flatMap((power, index) =>
    power === 0 ? [] : [`${bases[index]}${power}`],
  );
  const { moleExp_: moles, equivalentExp_: equivalents } = unit;
  const named = namedBases[dimensions.join(".")];
  if (named !== undefined && moles === 0 && equivalents === 0 && arbitrary === "") {
    return { name: named[0], perBase: named[1] };
  }
  const parts = [
    ...(arbitrary === "" ? [] : [`[${arbitrary}]`]),
    ...(moles === 0 ? [] : [`mol${moles}`]),
    ...(equivalents === 0 ? [] : [`eq${equivalents}`]),
    ...dimensions,
  ];
  return { name: parts.join(".") || "1", perBase: avogadro ** -(moles + equivalents) };
}
