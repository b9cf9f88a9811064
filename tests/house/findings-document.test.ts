import { expect, test } from "vitest";
import { ruleTexts } from "../../src/domain/rules/catalogue.ts";
import { measureTexts } from "../../src/fhir/measure.ts";
import { repositoryFile } from "./source-tree.ts";

const text = repositoryFile("docs/findings.md");
const rowsNaming = (code: string) =>
  text.split("\n").filter((line) => line.startsWith("| `") && line.split("|")[1]?.includes(`\`${code}\``));

test("docs/findings.md has one row for every rule", () => {
  expect(ruleTexts.filter(({ code }) => rowsNaming(code).length !== 1).map(({ code }) => code)).toEqual([]);
});

test("docs/findings.md has one row for every measure", () => {
  expect(measureTexts.filter(({ code }) => rowsNaming(code).length !== 1).map(({ code }) => code)).toEqual([]);
});

test("it names no rule and no measure that does not exist", () => {
  const known = new Set([...ruleTexts, ...measureTexts].map(({ code }) => code));
  const named = text
    .split("\n")
    .filter((line) => line.startsWith("| `"))
    .flatMap((line) => [...(line.split("|")[1] ?? "").matchAll(/`([a-z-]+)`/g)].map(([, code = ""]) => code));
  expect(named.length).toBeGreaterThan(20);
  expect(named.filter((code) => !known.has(code))).toEqual([]);
});
