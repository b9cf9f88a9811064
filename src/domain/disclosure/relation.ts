import { type CellKey, cellKey, membersOf, placesOf, type Table } from "./table.ts";

/** What everybody knows of a whole and its parts. `sum`: they add up. `union`: max(parts) <= whole <= sum(parts). */
export interface Relation {
  readonly kind: "sum" | "union";
  readonly whole: CellKey;
  readonly parts: readonly CellKey[];
}

/** Two cells of which one counts a part of the other's persons, without a tree that says so. */
export interface Nesting {
  readonly whole: CellKey;
  readonly part: CellKey;
}

/** The relations of the tables' trees, each once however many tables hold it, in the order of their keys. */
export function relationsOf(tables: readonly Table[]): readonly Relation[] {
  const found = new Map<string, Relation>();
  for (const relation of tables.flatMap(relationsOfTable)) {
    const id = JSON.stringify([relation.whole, relation.kind, relation.parts]);
    found.set(id, relation);
  }
  return [...found].sort(([a], [b]) => (a < b ? -1 : 1)).map(([, relation]) => relation);
}

function relationsOfTable(table: Table): readonly Relation[] {
  return table.dimensions.flatMap(({ name, whole, parts: divided }) => {
    const others = table.dimensions.filter((dimension) => dimension.name !== name);
    return membersOf(whole)
      .filter(({ parts = [] }) => parts.length > 0)
      .flatMap(({ key, parts = [] }) =>
        placesOf(others).map((place) => ({
          kind: divided === "disjoint" ? ("sum" as const) : ("union" as const),
          whole: cellKey(table, { ...place, [name]: key }),
          parts: parts.map((part) => cellKey(table, { ...place, [name]: part.key })).sort(),
        })),
      );
  });
}

/** Whether the counts obey the relation; false also where one is missing. */
export function holds({ kind, whole, parts }: Relation, persons: (key: CellKey) => number | undefined): boolean {
  const counts = parts.map(persons);
  const total = persons(whole);
  if (total === undefined || !counts.every((count) => count !== undefined)) return false;
  const sum = counts.reduce((left, right) => left + right, 0);
  return kind === "sum" ? total === sum : total <= sum && counts.every((count) => count <= total);
}
