import { execFile } from "node:child_process";
import { join } from "node:path";
import { promisify } from "node:util";
import { describe, expect, test } from "vitest";
import { plantedRepository, repository, repositoryFile } from "./source-tree.ts";

const run = promisify(execFile);

interface Diagnostic {
  readonly category: string;
  readonly severity: string;
  readonly message: string;
}

/** The errors that Biome, under this repository's own configuration, finds in a one-file project. */
async function lintErrors(path: string, text: string): Promise<Diagnostic[]> {
  const root = plantedRepository({
    "biome.json": repositoryFile("biome.json"),
    "package.json": repositoryFile("package.json"),
    "tests/house/pure-domain.grit": repositoryFile("tests/house/pure-domain.grit"),
    [path]: text,
  });
  const biome = join(repository, "node_modules/.bin/biome");
  const lint = ["lint", "--vcs-enabled=false", "--reporter=json", path];
  // Biome leaves with 1 when it finds an error; what it found is on its output either way.
  const { stdout } = await run(biome, lint, { cwd: root }).catch((failed: { stdout: string }) => failed);
  const { diagnostics }: { diagnostics: Diagnostic[] } = JSON.parse(stdout);
  return diagnostics.filter((diagnostic) => diagnostic.severity === "error" || diagnostic.severity === "fatal");
}

const impure = [
  "Date.now()",
  "new Date()",
  "process.pid",
  "console.log(1)",
  'fetch("https://tidegate.example")',
  "setTimeout(() => 1, 1)",
  "setInterval(() => 1, 1)",
  "performance.now()",
  "crypto.randomUUID()",
  "Math.random()",
  "Temporal.Now.instant()",
  "globalThis.Date",
];

describe("Biome keeps clock, chance and the outside world out of the domain", () => {
  test.each(impure)("%s is refused in src/domain", async (expression) => {
    const errors = await lintErrors("src/domain/planted.ts", `export const planted = ${expression};\n`);
    const ours = errors.filter(({ category }) => category === "plugin" || category.endsWith("/noRestrictedGlobals"));
    expect(ours.length).toBeGreaterThan(0);
  });

  test("pure arithmetic passes, so the ban does not bite at random", async () => {
    const text = 'export const planted = Math.max(1, 2) + Temporal.PlainDate.from("2026-03-29").day;\n';
    expect(await lintErrors("src/domain/planted.ts", text)).toEqual([]);
  });

  test("the same clock is allowed in a flow", async () => {
    expect(await lintErrors("src/flows/planted.ts", "export const planted = Date.now();\n")).toEqual([]);
  });
});

test("an `any` is refused in every room", async () => {
  const errors = await lintErrors("src/flows/planted.ts", "export const planted: any = 1;\n");
  expect(errors.map(({ category }) => category)).toEqual(["lint/suspicious/noExplicitAny"]);
});
