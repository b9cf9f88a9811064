import type { Fact } from "../domain/facts.ts";

/** How one kind of fact stands in its table. */
export interface FactTable {
  readonly table: string;
  /** Resource types whose facts stand here; a table may hold several. */
  readonly from: readonly string[];
  /** Column that holds the id of the resource the fact comes from. */
  readonly source: string;
  /** Unique key after the tenant. */
  readonly key: readonly string[];
  /** Expression for the patients that a change concerns; null where the table names none. */
  readonly patient: string;
  readonly columns: Readonly<Record<string, string>>;
  /** The row that the fact becomes; undefined when the fact belongs elsewhere. */
  rows(fact: Fact): readonly Record<string, unknown>[];
}
