import { existsSync } from "node:fs";
import { join } from "node:path";
import { expect, test } from "vitest";
import { plantedRepository, repository, sourceFiles } from "./source-tree.ts";

// A file of types alone, or of one table, has nothing to run; a function has.
const exportsFunction =
  /^export (default )?(async )?function\b|^export const \w+(: [^=]+)? = (async )?(\([^)]*\)|\w+)(: [^=]+)? =>/m;

const rooms = ["src/domain", "src/fhir"];

function testOf(path: string): string {
  return path.replace(/^src\//, "tests/").replace(/\.ts$/, ".test.ts");
}

function untested(root: string): string[] {
  return rooms
    .flatMap((room) => sourceFiles(room, /\.ts$/, root))
    .filter(({ text }) => exportsFunction.test(text))
    .map(({ path }) => path)
    .filter((path) => !existsSync(join(root, testOf(path))));
}

test.each(rooms)("every file of %s that exports a function has its test where one looks for it", (room) => {
  expect(sourceFiles(room, /\.ts$/).filter(({ text }) => exportsFunction.test(text)).length).toBeGreaterThan(0);
  expect(untested(repository).filter((path) => path.startsWith(`${room}/`))).toEqual([]);
});

test("a planted function without a test is caught, a file of types is not", () => {
  const root = plantedRepository({
    "src/domain/shape.ts": "export interface Shape { readonly edgeCount: number }\n",
    "src/domain/area.ts": "export function area(): number {\n  return 1;\n}\n",
    "src/domain/edge.ts": "export const edge = (length: number): number => length;\n",
    "src/domain/tested.ts": "export function tested(): number {\n  return 1;\n}\n",
    "tests/domain/tested.test.ts": "",
    "src/fhir/search/token.ts": "export async function token(): Promise<void> {}\n",
  });
  expect(untested(root)).toEqual(["src/domain/area.ts", "src/domain/edge.ts", "src/fhir/search/token.ts"]);
});
