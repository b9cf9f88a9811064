import { expect, test } from "vitest";
import { leadsNowhere } from "./documents.ts";
import { plantedRepository, repository, repositoryFile, sourceFiles } from "./source-tree.ts";

test("every file that a document links to or names is there", () => {
  const atTheTop = ["README.md", "DEVELOPERS.md", "CHANGELOG.md", "SECURITY.md"];
  const documents = [
    ...atTheTop.map((path) => ({ path, text: repositoryFile(path) })),
    ...sourceFiles("docs", /\.md$/),
  ];
  expect(leadsNowhere(documents, repository)).toEqual([]);
});

test("a planted link and a planted path that lead nowhere are caught", () => {
  const root = plantedRepository({ "src/domain/here.ts": "", "README.md": "" });
  const text = [
    "[up](../README.md) and [gone](gone.md#part), held by `src/domain/here.ts` and `tests/domain/gone.test.ts`;",
    "[elsewhere](https://tidegate.example/page) is not ours to check.",
  ].join("\n");
  expect(leadsNowhere([{ path: "docs/planted.md", text }], root)).toEqual([
    "docs/planted.md: docs/gone.md",
    "docs/planted.md: tests/domain/gone.test.ts",
  ]);
});

test("every hazard has its own number, controls, and something that holds them", () => {
  const rows = repositoryFile("docs/hazard-log.md")
    .split("\n")
    .filter((line) => /^\| H\d/.test(line))
    .map((line) =>
      line
        .split("|")
        .slice(1, -1)
        .map((cell) => cell.trim()),
    );
  expect(rows.length).toBeGreaterThan(0);
  expect(rows.filter((cells) => cells.length !== 8 || cells.some((cell) => cell === ""))).toEqual([]);
  expect(new Set(rows.map(([number]) => number)).size).toBe(rows.length);
});
