import type { ReleaseBody, ReleaseTable } from "../flows/release.ts";
import { csvOf } from "./csv.ts";

/** What stands in place of a hidden figure. */
export const star = "*";

/** What a reader must know of a release, line by line: the head of its CSV and of its page. */
export function headOf(body: ReleaseBody, sha256: string, isDraft: boolean, cautions: string) {
  const { period, policy, number } = body;
  return [
    ["release", String(number)],
    ["state", isDraft ? "DRAFT, not signed off: do not pass on" : "released"],
    ["period", `${period.code}: from ${period.firstDay} up to, not including, ${period.endDay}`],
    ["policy", `${policy.name}: ${policy.text}`],
    [star, body.star],
    ["rule version", body.ruleVersion],
    ["SHA-256 of the JSON form", sha256],
    ...[cautions, ...body.cautions].map((text) => ["caution", text] as const),
  ] as const;
}

/** The most dimensions of a table; a place has as many columns in the CSV. */
const dimensionColumns = [0, 1] as const;

/**
 * A release as one CSV: a block of what must be known, a block of definitions, and the figures, one row for each place. Every
 * row of a block begins with the block's name, so that a program tells them apart.
 */
export function releaseCsv(body: ReleaseBody, sha256: string, isDraft: boolean, cautions: string): string {
  const about = headOf(body, sha256, isDraft, cautions).map(([name, text]) => ["about", name, text]);
  const definitions = body.figures.map(({ code, title, definition, unit, kind, outOf }) => [
    "definition",
    code,
    title,
    definition,
    kind,
    unit,
    outOf ?? "",
  ]);
  const head = ["block", "figure", "dimension", "member", "dimension", "member", "count", "percent", "median"];
  const rows = body.tables.flatMap((table) => rowsOf(table));
  return (
    csvOf(["block", "name", "text"], about) +
    csvOf(["block", "code", "title", "definition", "kind", "unit", "out of"], definitions) +
    csvOf(head, rows)
  );
}

function rowsOf(table: ReleaseTable): (string | number)[][] {
  return table.rows.map(({ at, count, percent, median }) => [
    "figure",
    table.figure,
    ...dimensionColumns.flatMap((index) => {
      const dimension = table.dimensions[index];
      if (dimension === undefined) return ["", ""];
      const key = at[dimension.name];
      return [dimension.name, dimension.members.find((member) => member.key === key)?.title ?? ""];
    }),
    count ?? star,
    shown(percent),
    shown(median),
  ]);
}

/** What of a number is shown: itself, a star, or nothing where there is none. */
export function shown(value: number | null | undefined): number | string {
  return value === undefined ? "" : (value ?? star);
}
