import type { Member } from "../disclosure/table.ts";
import type { FigureTable, PopulationFigures } from "./figures.ts";

/**
 * The figures without the lowest level of places: sites go, and the services that they are of stay. Undefined where no place
 * has such a level. Counts stay as they are, for a service counts the people of its sites.
 */
export function withoutLowestPlaces(figures: PopulationFigures): PopulationFigures | undefined {
  const tables = figures.tables.map(coarser);
  const isCoarser = tables.some((table, i) => table.cells.length < (figures.tables[i]?.cells.length ?? 0));
  return isCoarser ? { ...figures, tables } : undefined;
}

function coarser(table: FigureTable): FigureTable {
  const dimensions = table.dimensions.map((one) =>
    one.name === "place" ? { ...one, whole: cut(one.whole, true) } : one,
  );
  const place = dimensions.find(({ name }) => name === "place");
  if (place === undefined) return table;
  const kept = new Set(keysOf(place.whole));
  const stays = ({ at }: { readonly at: Readonly<Record<string, string>> }) => kept.has(at[place.name] ?? "");
  return {
    ...table,
    dimensions,
    cells: table.cells.filter(stays),
    ...(table.statistics === undefined ? {} : { statistics: table.statistics.filter(stays) }),
  };
}

/** A place below the root of which all parts are leaves becomes a leaf itself; the root stays divided. */
function cut(member: Member, isRoot: boolean): Member {
  const { parts = [], ...rest } = member;
  if (parts.length === 0) return member;
  const isLowest = parts.every((part) => (part.parts ?? []).length === 0);
  return !isRoot && isLowest ? rest : { ...rest, parts: parts.map((part) => cut(part, false)) };
}

function keysOf(member: Member): readonly string[] {
  return [member.key, ...(member.parts ?? []).flatMap(keysOf)];
}
