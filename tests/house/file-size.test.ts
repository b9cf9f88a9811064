import { expect, test } from "vitest";
import { plantedRepository, repository, sourceFiles } from "./source-tree.ts";

const mostLines = 300;

function lineCount(text: string): number {
  return text.replace(/\n$/, "").split("\n").length;
}

/** Files that have grown past what one can hold in one's head: split them by noun. */
function tooLong(root: string): string[] {
  return ["src", "tests", "seed", "db", "openapi"]
    .flatMap((folder) => sourceFiles(folder, /\.(ts|mjs|js|css|html)$/, root))
    .filter(({ text }) => lineCount(text) > mostLines)
    .map(({ path, text }) => `${path}: ${lineCount(text)} lines`);
}

test("no source or test file is longer than 300 lines", () => {
  expect(sourceFiles("src", /\.ts$/).length).toBeGreaterThan(0);
  expect(tooLong(repository)).toEqual([]);
});

test("a planted file of 301 lines is caught, one of 300 is not", () => {
  const root = plantedRepository({
    "src/flows/long.ts": "export {};\n".repeat(301),
    "src/flows/just-fits.ts": "export {};\n".repeat(300),
  });
  expect(tooLong(root)).toEqual(["src/flows/long.ts: 301 lines"]);
});
