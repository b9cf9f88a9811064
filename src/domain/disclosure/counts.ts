import { accepted, type Refusal, type Result, refused } from "../result.ts";
import { holds, type Relation } from "./relation.ts";
import { type CellKey, cellKey, membersOf, placesOf, type Table } from "./table.ts";

/** One cell of a release, whichever of its tables hold it. */
export interface Cell {
  readonly key: CellKey;
  readonly persons: number;
  readonly structuralZero: boolean;
  readonly national: boolean;
  readonly greatestSitePersons?: number;
}

/**
 * The cells of linked tables, each once, in the order of their keys. Refused: more than two dimensions, a member twice,
 * a place without a count or with two, a count that is no whole number from 0, tables that differ about a shared cell,
 * wholes that are not the sum of their parts.
 */
export function cellsOf(tables: readonly Table[], relations: readonly Relation[]): Result<readonly Cell[]> {
  const shapes = tables.flatMap(faultsOfShape);
  if (shapes.length > 0) return refused(...shapes);
  const faults: Refusal[] = [];
  const cells = new Map<CellKey, Cell>();
  for (const cell of tables.flatMap(cellsOfTable)) {
    const known = cells.get(cell.key);
    if (known !== undefined && known.persons !== cell.persons)
      faults.push(invalid(`Two tables differ about ${cell.key}.`));
    cells.set(cell.key, known === undefined ? cell : merged(known, cell));
  }
  const persons = (key: CellKey) => cells.get(key)?.persons;
  for (const relation of relations)
    if (!holds(relation, persons)) faults.push(invalid(`${relation.whole} does not fit its parts: count it again.`));
  if (faults.length > 0) return refused(...faults);
  return accepted([...cells.values()].sort((a, b) => (a.key < b.key ? -1 : 1)));
}

/** What one table knows of a cell and another does not. */
function merged(left: Cell, right: Cell): Cell {
  const greatest = left.greatestSitePersons ?? right.greatestSitePersons;
  return {
    ...left,
    structuralZero: left.structuralZero || right.structuralZero,
    national: left.national || right.national,
    ...(greatest !== undefined && { greatestSitePersons: greatest }),
  };
}

function cellsOfTable(table: Table): readonly Cell[] {
  const nation = new Set(
    table.dimensions.flatMap(({ name, whole }) =>
      membersOf(whole)
        .filter(({ national }) => national === true)
        .map(({ key }) => JSON.stringify([name, key])),
    ),
  );
  return table.cells.map((count) => ({
    key: cellKey(table, count.at),
    persons: count.persons,
    structuralZero: count.structuralZero === true,
    national: Object.entries(count.at).some((place) => nation.has(JSON.stringify(place))),
    ...(count.greatestSitePersons !== undefined && { greatestSitePersons: count.greatestSitePersons }),
  }));
}

function faultsOfShape(table: Table): readonly Refusal[] {
  const faults: Refusal[] = [];
  if (table.dimensions.length > 2) faults.push(invalid(`${table.counts} has more than two dimensions: split it.`));
  for (const { name, whole } of table.dimensions) {
    const keys = membersOf(whole).map(({ key }) => key);
    if (new Set(keys).size !== keys.length) faults.push(invalid(`${name} of ${table.counts} has a member twice.`));
  }
  const wanted = placesOf(table.dimensions).map((at) => cellKey(table, at));
  const given = table.cells.map(({ at }) => cellKey(table, at));
  const places = new Set(given);
  if (given.length !== wanted.length || places.size !== given.length || !wanted.every((key) => places.has(key)))
    faults.push(invalid(`${table.counts} needs one count for each combination of its members.`));
  for (const { at, persons, structuralZero, greatestSitePersons = 0 } of table.cells) {
    const counts = [persons, greatestSitePersons];
    if (!counts.every((count) => Number.isSafeInteger(count) && count >= 0) || greatestSitePersons > persons)
      faults.push(invalid(`${cellKey(table, at)} is no count of persons.`));
    if (structuralZero && persons > 0) faults.push(invalid(`${cellKey(table, at)} is said to be empty and is not.`));
  }
  return faults;
}

function invalid(detail: string): Refusal {
  return { kind: "invalid", detail };
}
