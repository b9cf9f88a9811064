import { expect, test } from "vitest";
import { thresholdDefinitions } from "../../src/domain/threshold-definitions.ts";
import { defaultThresholds } from "../../src/domain/thresholds.ts";
import { repositoryFile } from "./source-tree.ts";

type Name = keyof typeof thresholdDefinitions;
type PartKind = (typeof defaultThresholds.partKinds)[number];

const document = repositoryFile("docs/thresholds.md");

/** Rows of the tables under one heading, cell by cell, without the head of the table. */
function rowsUnder(heading: string, text: string): string[][] {
  const [, after = ""] = text.split(`\n## ${heading}\n`);
  const [section = ""] = after.split("\n## ");
  const lines = section.split("\n").filter((line) => line.startsWith("|"));
  return lines.slice(2).map((line) =>
    line
      .split("|")
      .slice(1, -1)
      .map((cell) => cell.trim()),
  );
}

/** The row that each threshold must have: name, unit, default, allowed, source, whether a plan may override it. */
function expectedRow(name: Name): string[] {
  const { unit, allowed, tenantOnly } = thresholdDefinitions[name];
  const value = defaultThresholds[name];
  const shown = typeof value === "number" ? String(value) : `\`${JSON.stringify(value)}\``;
  return [
    `\`${name}\``,
    unit === undefined ? "" : `\`${unit}\``,
    name === "partKinds" ? "the kinds below" : shown,
    allowed,
    defaultThresholds.sources[name],
    tenantOnly === true ? "no" : "yes",
  ];
}

function expectedPartRow(kind: PartKind): string[] {
  return [
    `\`${kind.code}\``,
    intervalOf(kind.replaceAfter),
    intervalOf(kind.checkAfter),
    String(kind.infectionShare ?? ""),
    kind.replaceAfterInfection === true ? "yes" : "no",
    String(kind.tracheostomyShare ?? ""),
    String(kind.leadDays),
    kind.source,
  ];
}

function intervalOf(interval: PartKind["replaceAfter"]): string {
  if (interval === undefined) return "";
  const [count, unit] = "months" in interval ? [interval.months, "month"] : [interval.days, "day"];
  return `${count} ${unit}${count === 1 ? "" : "s"}`;
}

const names = Object.keys(thresholdDefinitions) as Name[];

test("the document names every threshold with its unit, default, range and source, and no other", () => {
  expect(names.length).toBeGreaterThan(0);
  expect(rowsUnder("All thresholds", document)).toEqual(names.map(expectedRow));
});

test("the document names every kind of part of the defaults as it is", () => {
  expect(rowsUnder("Kinds of part by default", document)).toEqual(defaultThresholds.partKinds.map(expectedPartRow));
});

test("a planted document that leaves one threshold out, or tells another default, is caught", () => {
  const expected = names.map(expectedRow);
  const without = document.replace(/^\| `coolDownDays`.*\n/m, "");
  const other = document.replace("| `coolDownDays` | `d` | 14 |", "| `coolDownDays` | `d` | 15 |");
  expect([without, other].includes(document)).toBe(false);
  expect(rowsUnder("All thresholds", without)).not.toEqual(expected);
  expect(rowsUnder("All thresholds", other)).not.toEqual(expected);
});
