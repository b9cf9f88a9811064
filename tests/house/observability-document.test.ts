import { expect, test } from "vitest";
import { type DeclaredMetric, metricList } from "../../src/watch/metric-list.ts";
import { repositoryFile } from "./source-tree.ts";

const declared: readonly DeclaredMetric[] = Object.values(metricList);

/** Rows of the table: what is told, its labels, and the four cells behind. */
function rowsOf(document: string): string[][] {
  return document
    .split("\n")
    .filter((line) => line.startsWith("| `tidegate_"))
    .map((line) =>
      line
        .split("|")
        .slice(1, -1)
        .map((cell) => cell.trim()),
    );
}

/** Metrics that a table does not explain, explains twice, or with other labels; and those it explains that are none. */
function differences(document: string): string[] {
  const rows = rowsOf(document);
  const told = rows.map(([name = "", labels = ""]) => `${name.replaceAll("`", "")} ${labels.replaceAll("`", "")}`);
  const wanted = declared.map(({ name, labels }) => `${name} ${labels.length === 0 ? "–" : labels.join(", ")}`);
  return [
    ...wanted.filter((one) => told.filter((row) => row === one).length !== 1),
    ...told.filter((one) => !wanted.includes(one)),
  ];
}

const document = repositoryFile("docs/observability.md");

test("docs/observability.md explains each metric once, with its labels, and no other", () => {
  expect(differences(document)).toEqual([]);
  expect(rowsOf(document).filter((cells) => cells.length !== 5 || cells.some((cell) => cell === ""))).toEqual([]);
});

test("a metric left out, one too many and a label too few are caught", () => {
  const planted = document
    .replace(/^\| `tidegate_build`.*\n/m, "| `tidegate_gone` | – | a | b | c |\n")
    .replace("| `route`, `method`, `status` |", "| `route` |");
  expect(differences(planted)).toEqual([
    "tidegate_build version",
    "tidegate_http_requests_total route, method, status",
    "tidegate_gone –",
    "tidegate_http_requests_total route",
  ]);
});

test("the alert rules and the panels name no metric that is not told", () => {
  const names = new Set(declared.map(({ name }) => name));
  for (const text of [document, repositoryFile("docs/observability/alerts.yml")]) {
    const named = [...text.matchAll(/\btidegate_[a-z_]+/g)].map(([name]) => name.replace(/_(bucket|count|sum)$/, ""));
    expect(named.length).toBeGreaterThan(10);
    expect(named.filter((name) => !names.has(name))).toEqual([]);
  }
});
