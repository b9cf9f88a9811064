import { mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, symlinkSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { dirname, join, relative } from "node:path";
import { onTestFinished } from "vitest";

export const repository = join(import.meta.dirname, "../..");

export interface SourceFile {
  /** From the repository, with forward slashes: `src/domain/range.ts`. */
  readonly path: string;
  readonly text: string;
}

/** Every file under `folder` of `root` whose name ends as asked; none where the folder does not exist. */
export function sourceFiles(folder: string, ends: RegExp, root = repository): SourceFile[] {
  let entries: { readonly parentPath: string; readonly name: string; isFile(): boolean }[];
  try {
    entries = readdirSync(join(root, folder), { recursive: true, withFileTypes: true });
  } catch {
    return [];
  }
  return entries
    .filter((entry) => entry.isFile() && ends.test(entry.name))
    .map((entry) => join(entry.parentPath, entry.name))
    .map((path) => ({ path: relative(root, path).replaceAll("\\", "/"), text: readFileSync(path, "utf8") }))
    .sort((one, other) => (one.path < other.path ? -1 : 1));
}

/**
 * A throw-away folder to plant breaches in, so that a guard can be seen to bite without touching the real tree,
 * which other tests are reading at the same time. It shares the installed packages.
 */
export function plantedRepository(files: Record<string, string>): string {
  const root = mkdtempSync(join(tmpdir(), "tidegate-planted-"));
  onTestFinished(() => rmSync(root, { recursive: true, force: true }));
  symlinkSync(join(repository, "node_modules"), join(root, "node_modules"));
  for (const [path, text] of Object.entries(files)) {
    mkdirSync(dirname(join(root, path)), { recursive: true });
    writeFileSync(join(root, path), text);
  }
  return root;
}

/** The text of one of the repository's own files. */
export function repositoryFile(path: string): string {
  return readFileSync(join(repository, path), "utf8");
}
