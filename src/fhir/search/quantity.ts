import { accepted, type Result, refused } from "../../domain/result.ts";
import { hash64 } from "./atoms.ts";
import { splitUnescaped, unescaped } from "./escape.ts";
import type { QuantityEntry } from "./index-values.ts";
import { justBelow, rangeOfNumber } from "./number.ts";
import type { Prefix, RangeTest } from "./query.ts";
import { inCanonicalUnit, ucumSystem } from "./ucum.ts";

/** A range test on one unit; without a unit it holds for a value in any. */
export type QuantityTest = RangeTest & { readonly unit?: string };

/** The unit of entries for queries that name none. */
const anyUnit = "0";

/** Unit hash of a code of a system; of a bare unit text where the system is "". */
function unitHash(system: string, code: string): string {
  return hash64(`unit\n${system}\n${code}`);
}

/**
 * What to index of a number or a Quantity: once without a unit (`5.4`), once by system and code, UCUM in its canonical
 * unit (`5.4|http://unitsofmeasure.org|mg`), and once under the unit's text or a code that is not UCUM's, unless the
 * entry before finds it already (`5.4||mg`). A comparator opens the range on its side. Usually two entries.
 */
export function quantitiesOf(value: unknown, key: string): QuantityEntry[] {
  if (typeof value === "number") return [{ key, unit: anyUnit, low: value, high: value }];
  const one = value as QuantityShape | null;
  if (one?.low !== undefined || one?.high !== undefined) return rangeEntries(one, key);
  if (typeof one?.value !== "number") return [];
  // Money: its currency is a code of ISO 4217 (https://hl7.org/fhir/R4/datatypes.html#Money).
  if (one.currency !== undefined)
    return quantitiesOf({ value: one.value, system: currencies, code: one.currency }, key);
  const entries: QuantityEntry[] = [entryOf(key, anyUnit, one.comparator, one.value)];
  if (one.code !== undefined && one.system !== undefined) {
    const inUnit =
      one.system === ucumSystem ? inCanonicalUnit(one.code, one.value) : { unit: one.code, value: one.value };
    entries.push(entryOf(key, unitHash(one.system, inUnit.unit), one.comparator, inUnit.value));
  }
  // A unit that is written as its own code: the entry of that code answers for it.
  if (one.system === ucumSystem && one.unit === one.code) return entries;
  for (const text of textsOf(one)) entries.push(entryOf(key, unitHash("", text), one.comparator, one.value));
  return entries;
}

function entryOf(key: string, unit: string, comparator: string | undefined, value: number): QuantityEntry {
  if (comparator === undefined) return { key, unit, low: value, high: value };
  return { key, unit, ...openEnds(comparator, value) };
}

const currencies = "urn:iso:std:iso:4217";

/** A Range stands for all between its ends, in each unit that both ends are written in; an end left out is open. */
function rangeEntries({ low, high }: QuantityShape, key: string): QuantityEntry[] {
  const ends = [low, high].map((end) => (end === undefined ? undefined : quantitiesOf(end, key)));
  const [lows, highs] = ends;
  return (lows ?? highs ?? []).flatMap(({ unit }) => {
    const from = lows === undefined ? Number.NEGATIVE_INFINITY : lows.find((entry) => entry.unit === unit)?.low;
    const to = highs === undefined ? Number.POSITIVE_INFINITY : highs.find((entry) => entry.unit === unit)?.high;
    return from === undefined || to === undefined ? [] : [{ key, unit, low: from, high: to }];
  });
}

interface QuantityShape {
  readonly low?: unknown;
  readonly high?: unknown;
  readonly currency?: string;
  readonly value?: unknown;
  readonly unit?: string;
  readonly system?: string;
  readonly code?: string;
  readonly comparator?: string;
}

/** Unit texts that a query without a system may name and that the UCUM entry does not answer. */
function textsOf(quantity: QuantityShape): Set<string> {
  const texts = new Set<string>();
  if (quantity.unit !== undefined) texts.add(quantity.unit);
  // A query `||code` also looks under the canonical unit of that code.
  if (quantity.system === ucumSystem) texts.delete(quantity.code ?? "");
  else if (quantity.code !== undefined) texts.add(quantity.code);
  return texts;
}

function openEnds(comparator: string, value: number): { low: number; high: number } {
  return {
    low: comparator.startsWith("<") ? Number.NEGATIVE_INFINITY : value,
    high: comparator.startsWith(">") ? Number.POSITIVE_INFINITY : value,
  };
}

/**
 * Reads `[prefix][number]`, optionally `|system|code` or `||unit`, into tests joined by OR
 * (https://hl7.org/fhir/R4/search.html#quantity). `||unit` asks for a UCUM code and for a unit text alike.
 */
export function quantityTests(value: string): Result<QuantityTest[]> {
  const [numberText = "", system = "", code = ""] = splitUnescaped(value, "|").map(unescaped);
  const match = /^(eq|ne|gt|lt|ge|le|sa|eb|ap)?([+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d{1,3})?)$/.exec(numberText);
  if (match === null || !Number.isFinite(Number(match[2])) || (code === "" && system !== "")) {
    const detail = `"${value.slice(0, 128)}" is no number with an optional prefix and unit. Write for example lt160, or lt160|${ucumSystem}|L/min.`;
    return refused({ kind: "value", detail, status: 400 });
  }
  const prefix = (match[1] ?? "eq") as Prefix;
  const range = rangeOfNumber(prefix, match[2] ?? "");
  const test = (unit: string, low: number, high: number): QuantityTest => ({
    prefix,
    low,
    high: prefix === "eq" || prefix === "ne" ? justBelow(high) : high,
    unit,
  });
  if (code === "") return accepted([test(anyUnit, range.low, range.high)]);
  const low = inCanonicalUnit(code, range.low);
  const high = inCanonicalUnit(code, range.high);
  const asUcum = test(unitHash(ucumSystem, low.unit), low.value, high.value);
  if (system === ucumSystem) return accepted([asUcum]);
  const asWritten = test(unitHash(system, code), range.low, range.high);
  return accepted(system === "" ? [asUcum, asWritten] : [asWritten]);
}
