import type { Publication } from "../disclosure/intruder.ts";
import { holds, type Nesting, type Relation } from "../disclosure/relation.ts";
import { type CellKey, cellKey } from "../disclosure/table.ts";
import type { FigureTable, FigureText } from "./figures.ts";

/**
 * What the definitions of the figures tell everybody about cells of one release: the bands of a measure (`days-used.low`,
 * `days-used.moderate` …) add up to the figure that they are a part of; whoever has a median's value is in a band other than
 * `not-known`; and any other figure that is `outOf` another counts some of the same persons. Only where the true counts bear
 * it out.
 */
export function figureRelations(
  tables: readonly FigureTable[],
  texts: readonly FigureText[],
): Pick<Publication, "relations" | "nestings"> {
  const persons = personsOf(tables);
  const relations: Relation[] = [];
  const nestings: Nesting[] = [];
  const byFigure = new Map(
    texts.map(({ code }) => [code, cellsByPlace(tables.filter(({ figure }) => figure === code))]),
  );
  const cells = (code: string) => byFigure.get(code) ?? new Map<string, CellKey>();
  for (const { whole, parts } of sumsOf(texts)) {
    for (const [place, key] of cells(whole)) {
      const keys = parts.flatMap((part) => cells(part).get(place) ?? []);
      const relation: Relation = { kind: "sum", whole: key, parts: keys.sort() };
      if (keys.length === parts.length && holds(relation, (cell) => persons.get(cell))) relations.push(relation);
    }
  }
  for (const { code, outOf = "" } of texts) {
    for (const [place, part] of cells(code)) {
      const whole = cells(outOf).get(place);
      if (whole !== undefined && (persons.get(part) ?? 0) <= (persons.get(whole) ?? 0)) nestings.push({ whole, part });
    }
  }
  return { relations, nestings };
}

/** The true count of every cell of the tables. */
export function personsOf(tables: readonly FigureTable[]): ReadonlyMap<CellKey, number> {
  return new Map(
    tables.flatMap((table) => table.cells.map(({ at, persons }) => [cellKey(table, at), persons] as const)),
  );
}

/** Figures that are others' sum by what they are called: `x.low`, `x.not-known` … of one whole, and `x.median`. */
function sumsOf(texts: readonly FigureText[]): { readonly whole: string; readonly parts: readonly string[] }[] {
  const bands = texts.filter(({ code, kind, outOf }) => kind === "count" && outOf !== undefined && code.includes("."));
  const groups = Map.groupBy(bands, ({ code, outOf }) => `${code.slice(0, code.indexOf("."))} ${outOf}`);
  return [...groups.values()].flatMap((group) => {
    const parts = group.map(({ code }) => code);
    const measure = parts[0]?.split(".")[0] ?? "";
    const whole = group[0]?.outOf ?? "";
    const known = parts.filter((code) => code !== `${measure}.not-known`);
    return [
      { whole, parts },
      { whole: `${measure}.median`, parts: known },
    ];
  });
}

/** Keys by place: the same for tables of any figure. */
function cellsByPlace(tables: readonly FigureTable[]): Map<string, CellKey> {
  return new Map(
    tables.flatMap((table) =>
      table.cells.map(
        ({ at }) => [cellKey({ counts: "", dimensions: table.dimensions }, at), cellKey(table, at)] as const,
      ),
    ),
  );
}
