import type { PublishedCell } from "./figure.ts";
import type { LinearRow, LinearSystem } from "./linear-system.ts";
import type { Nesting, Relation } from "./relation.ts";
import type { CellKey } from "./table.ts";

/** All that one release told, kept for the audit of the next. */
export interface Publication {
  readonly name: string;
  readonly cells: readonly PublishedCell[];
  readonly relations: readonly Relation[];
  readonly nestings: readonly Nesting[];
}

/** What is known of a star: that the policy hides it (`figures`), or also why (`roles`). */
export type Intruder = "figures" | "roles";

/** Both, in the order in which they are asked. */
export const intruders: readonly Intruder[] = ["figures", "roles"];

/** The keys of all cells that any publication names, sorted: the unknowns of every system about them, in this order. */
export function unknownsOf(publications: readonly Publication[]): readonly CellKey[] {
  return [...new Set(publications.flatMap(({ cells }) => cells.map(({ key }) => key)))].sort();
}

/**
 * What an intruder can write down from all publications together: each count within all that was told of it, and every
 * relation. A cell that was published twice is one unknown, so both figures bound it.
 */
export function intruderSystem(publications: readonly Publication[], intruder: Intruder): LinearSystem {
  const index = new Map(unknownsOf(publications).map((key, i) => [key, i]));
  const least = Array.from(index, () => 0);
  const greatest = Array.from(index, () => Number.POSITIVE_INFINITY);
  for (const cell of publications.flatMap(({ cells }) => cells)) {
    const i = index.get(cell.key) ?? -1;
    least[i] = Math.max(least[i] ?? 0, cell[intruder].least);
    greatest[i] = Math.min(greatest[i] ?? 0, cell[intruder].greatest);
  }
  const rows = new Map<string, LinearRow>();
  for (const { plus, minus, exactly } of publications.flatMap(statements)) {
    const terms = [
      ...plus.map((key) => ({ variable: placeOf(index, key), times: 1 })),
      ...minus.map((key) => ({ variable: placeOf(index, key), times: -1 })),
    ];
    rows.set(JSON.stringify(terms), { terms, least: 0, greatest: exactly ? 0 : Number.POSITIVE_INFINITY });
  }
  return { least, greatest, rows: [...rows.values()] };
}

interface Statement {
  readonly plus: readonly CellKey[];
  readonly minus: readonly CellKey[];
  /** The difference is 0; otherwise it is 0 or more. */
  readonly exactly: boolean;
}

function statements({ relations, nestings }: Publication): readonly Statement[] {
  return [
    ...relations.flatMap(({ kind, whole, parts }): readonly Statement[] =>
      kind === "sum"
        ? [{ plus: parts, minus: [whole], exactly: true }]
        : [
            { plus: parts, minus: [whole], exactly: false },
            ...parts.map((part) => ({ plus: [whole], minus: [part], exactly: false })),
          ],
    ),
    ...nestings.map(({ whole, part }) => ({ plus: [whole], minus: [part], exactly: false })),
  ];
}

function placeOf(index: ReadonlyMap<CellKey, number>, key: CellKey): number {
  const place = index.get(key);
  if (place === undefined) throw new Error(`A relation names ${key}, which no release published.`);
  return place;
}
