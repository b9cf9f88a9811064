/** Comparison prefixes of R4 search (https://hl7.org/fhir/R4/search.html#prefix). */
export type Prefix = "eq" | "ne" | "gt" | "lt" | "ge" | "le" | "sa" | "eb" | "ap";

/** One condition; clauses of a query are joined by AND, `anyOf` inside one by OR. `keys` are atoms of the parameter, joined by OR. */
export type Clause =
  | { readonly kind: "id"; readonly anyOf: readonly string[] }
  | { readonly kind: "patient"; readonly anyOf: readonly string[] }
  | TermsClause
  | {
      readonly kind: "string";
      readonly keys: readonly string[];
      readonly match: "prefix" | "exact" | "contains";
      /** Folded for prefix and contains, as given for exact. */
      readonly anyOf: readonly string[];
    }
  | { readonly kind: "date"; readonly column: DateColumn; readonly anyOf: readonly RangeTest[] }
  | QuantityClause
  /** Texts of the body that these jsonpaths lead to: no index serves it, so every candidate's body is read. */
  | {
      readonly kind: "body";
      readonly paths: readonly string[];
      /** `text`: begins with the folded words; `below`: is this uri, or lies under it. */
      readonly match: "text" | "below";
      readonly anyOf: readonly string[];
    }
  | { readonly kind: "all" | "any"; readonly of: readonly Clause[] }
  /** Parts of a composite that must stand in one element. */
  | {
      readonly kind: "together";
      readonly terms: readonly TermsClause[];
      readonly quantities: readonly QuantityClause[];
    }
  /** The resource points to a `type` that answers `clauses`. */
  | { readonly kind: "chain"; readonly link: Link; readonly type: string; readonly clauses: readonly Clause[] }
  /** A `type` that answers `clauses` points to the resource. */
  | { readonly kind: "has"; readonly link: Link; readonly type: string; readonly clauses: readonly Clause[] };

/** Stored terms as in IndexValues.terms. */
export interface TermsClause {
  readonly kind: "terms";
  readonly anyOf: readonly string[];
  readonly negate: boolean;
}

/** Numbers and quantities. */
export interface QuantityClause {
  readonly kind: "quantity";
  readonly keys: readonly string[];
  readonly anyOf: readonly (RangeTest & { readonly unit?: string })[];
}

/** How one resource points to another: by the hot patient column, or under these reference atoms. */
export type Link = "patient" | { readonly keys: readonly string[] };

/** Where a date is compared: the hot columns, the time of last change, or the indexed atoms. */
export type DateColumn = "hot" | "last-updated" | { readonly keys: readonly string[] };

/** Compare the stored range with `[low, high)` (dates, epoch ms) or `[low, high]` (numbers) as the prefix says. */
export interface RangeTest {
  readonly prefix: Prefix;
  readonly low: number;
  readonly high: number;
}

/** One sort key. Rows without a value come last in either direction. */
export interface SortKey {
  readonly by:
    | "id"
    | "type"
    | "last-updated"
    | "hot-date"
    | { readonly dateKeys: readonly string[] }
    | { readonly stringKeys: readonly string[] };
  readonly descending: boolean;
}

/** `_include` or `_revinclude`: parameter `param` of `sourceType`, optionally only for `targetType`; `*` is every one. */
export interface Inclusion {
  readonly direction: "include" | "revinclude";
  readonly sourceType: string;
  readonly param: string;
  readonly targetType?: string;
  readonly iterate: boolean;
}

/** What is asked of these types, all of them alike. */
export interface Branch {
  readonly types: readonly string[];
  readonly clauses: readonly Clause[];
}

/** A parsed search of one type or several. */
export interface SearchQuery {
  /** Joined by OR: one, unless several types are searched whose parameters differ. */
  readonly branches: readonly Branch[];
  /** Always ends with what makes the order complete, so that pages are stable. */
  readonly sort: readonly SortKey[];
  readonly count: number;
  readonly total: "none" | "accurate" | "estimate";
  readonly inclusions: readonly Inclusion[];
  /** Where the page before ended, one value per sort key (null where it had none). */
  readonly after?: readonly (string | number | null)[];
  readonly summary?: "true" | "text" | "data" | "count" | "false";
  readonly elements?: readonly string[];
  /** Parameters that were used, in order, for the `self` link. */
  readonly used: readonly (readonly [name: string, value: string])[];
  /** Parameters that were ignored (lenient handling), with the reason. */
  readonly ignored: readonly { readonly name: string; readonly reason: string }[];
}
