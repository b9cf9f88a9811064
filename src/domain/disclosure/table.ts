/*
 * Statistical disclosure control for population figures: how it works, in one page.
 *
 * A TABLE counts persons by no, one or two DIMENSIONS, each a tree (site in service in region; age band in all ages).
 * The tables of one release are linked: a cell with the same key is the same count (`counts.ts`), and the trees give the
 * RELATIONS that everybody knows: a whole is the sum of its parts, or, where one person can be in several parts (months),
 * no more than the sum and no less than any part (`relation.ts`).
 *
 * A POLICY (`policy.ts`) says which counts are small and hidden, what the rest is rounded to, and how much doubt must
 * remain about a hidden cell. PRIMARY suppression looks at each cell alone (`figure.ts`): small, or nearly all one site.
 * Totals come from true counts and are rounded after, so columns need not add up.
 *
 * What is shown narrows what is hidden. The INTRUDER (`intruder.ts`) is a system of linear rows over whole numbers: the
 * true counts are the unknowns; a shown figure bounds its count (10 rounded to 5 is 8 to 12); a star bounds it as far as
 * the policy's text tells; relations, linked tables and EARLIER RELEASES are further rows. Two intruders are asked:
 *   `figures`  reads the publication and the policy. A star is primary or secondary, and does not say which.
 *   `roles`    also knows, of every star, which it is: the most that knowledge of our method could give about one cell.
 *
 * The AUDIT (`audit.ts`) finds how far apart two tables can put each TARGET (`target.ts`): each hidden cell, the sum of the
 * small cells of each whole, and the difference of two figures of which one is part of the other. It counts only ends
 * that it has seen, each in a whole table that fits all that was published, checked here in whole numbers: one table, mostly
 * the true one, and MOVES from it that change a few cells (`indexed-system.ts`, `witness.ts`). A solver that errs can thus
 * make us hide too much, never too little. Too narrow, pinned or not settled: not published.
 *
 * A move is looked for near the known table first (`move-search.ts`): change a cell, then repair the rows which that breaks.
 * Bounds (`propagation.ts`) rule out most of the rest. Only what is left is put to the solver, and only the component of
 * the system that it belongs to (`component.ts`), of a large one what is near at first (`vicinity.ts`).
 *
 * SECONDARY suppression (`secondary.ts`) hides more cells until the audit passes, and as few persons as it can:
 * exactly within its bounds (`least-hiding.ts`), beyond them by the cheapest moves (`rule-of-thumb.ts`), always audited at the end.
 * Work is counted and bounded; a release that cannot be made safe within it is refused, not published half safe.
 * `disclose` (`release.ts`) does all this in order. What it returns for later audits must be kept with the release.
 *
 * Rates and medians follow their counts (`rate.ts`). Noise in place of hiding is apart (`noise.ts`, `privacy-budget.ts`).
 * What an intruder may know that this does not model: docs/decisions/0008-disclosure-control.md.
 */

/** A node of a dimension's tree; without `parts` it is a leaf. Keys are unique within the dimension. */
export interface Member {
  readonly key: string;
  readonly parts?: readonly Member[];
  /** The nation as a whole, which some policies publish without control. */
  readonly national?: true;
}

/** One way of dividing the persons of a table. */
export interface Dimension {
  readonly name: string;
  /** The root: everybody that the table counts, so a cell at it is the same as one without this dimension. */
  readonly whole: Member;
  /** `disjoint`: a person is in one part only. `overlapping`: may be in several, as in several months. */
  readonly parts: "disjoint" | "overlapping";
}

/** One count of distinct persons. */
export interface Count {
  /** The member's key for each dimension's name. */
  readonly at: Readonly<Record<string, string>>;
  readonly persons: number;
  /** Nobody can be counted here and everybody knows it (a paediatric site's band of 65 and over), so it hides nothing. */
  readonly structuralZero?: true;
  /** The persons that the largest site supplies; absent where sites are what the cell is about. */
  readonly greatestSitePersons?: number;
}

/** A table of one release. */
export interface Table {
  /** What is counted, of whom and when: tables that count the same thing share cells by it. */
  readonly counts: string;
  /** Two at most. */
  readonly dimensions: readonly Dimension[];
  readonly cells: readonly Count[];
}

/** Names a cell across tables and releases: what is counted, and where, without the dimensions it is whole in. */
export type CellKey = string;

/** The key of the cell at these members; the order of the dimensions does not matter. */
export function cellKey(table: Pick<Table, "counts" | "dimensions">, at: Readonly<Record<string, string>>): CellKey {
  const places = table.dimensions
    .filter(({ name, whole }) => at[name] !== whole.key)
    .map(({ name }) => `${encodeURIComponent(name)}=${encodeURIComponent(at[name] ?? "")}`);
  return [encodeURIComponent(table.counts), ...places.sort()].join(";");
}

/** The member and all below it, wholes before their parts. */
export function membersOf(member: Member): readonly Member[] {
  return [member, ...(member.parts ?? []).flatMap(membersOf)];
}

/** Every place of a table: one member of each dimension, in all combinations. One empty place for no dimension. */
export function placesOf(dimensions: readonly Dimension[]): readonly Readonly<Record<string, string>>[] {
  return dimensions.reduce<readonly Readonly<Record<string, string>>[]>(
    (places, { name, whole }) =>
      places.flatMap((place) => membersOf(whole).map(({ key }) => ({ ...place, [name]: key }))),
    [{}],
  );
}
