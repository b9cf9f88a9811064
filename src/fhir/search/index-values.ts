/**
 * What one resource answers to in search, extracted from the official R4 SearchParameter definitions.
 *
 * Values are keyed by *atom*: one operand of the parameter's FHIRPath union for one type
 * (`combo-code` is `code` ∪ `component-code`, and shares their entries). A key is the signed 64-bit hash, as a
 * decimal string, of `type`, kind and atom; a term is the hash of key and value.
 */
export interface IndexValues {
  /** Equality terms of token, reference and uri atoms, and one presence term per atom that has a value. */
  readonly terms: readonly string[];
  readonly strings: readonly StringEntry[];
  readonly dates: readonly DateEntry[];
  readonly quantities: readonly QuantityEntry[];
  /**
   * For composites: the terms of repeated elements (`Observation.component`), each xored with the place of its element.
   * None where no such element repeats, because everything then stands together.
   */
  readonly placeTerms: readonly string[];
  readonly hot: HotColumns;
}

/** One string value: `folded` is lower case without accents, `exact` as received. */
export interface StringEntry {
  readonly key: string;
  readonly folded: string;
  readonly exact: string;
}

/** Half-open instants `[lowMs, highMs)`; an open end is -Infinity or Infinity. */
export interface DateEntry {
  readonly key: string;
  readonly lowMs: number;
  readonly highMs: number;
}

/** Value range `[low, high]` in the canonical unit; `unit` is the hash of that unit's code, or "0" for plain numbers. */
export interface QuantityEntry {
  readonly key: string;
  readonly unit: string;
  readonly low: number;
  readonly high: number;
  /** Place of the element that a composite takes it from, counted from 0; absent where none is asked for. */
  readonly place?: number;
}

/** The questions that everyone asks get typed columns of their own. */
export interface HotColumns {
  /** id of the Patient that the type's subject or patient element names. */
  readonly patientId?: string;
  /** The type's main clinical time, half-open (its `date` parameter). */
  readonly startMs?: number;
  readonly endMs?: number;
}
