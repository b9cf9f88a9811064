import type { SourceFile } from "./source-tree.ts";

/** Variables that the text does not name as a word of its own: `PORT` is not named by `IMPORT_PORTS`. */
export function unnamedIn(text: string, variables: readonly string[]): string[] {
  return variables.filter((name) => !new RegExp(`(?<![A-Z0-9_])${name}(?![A-Z0-9_])`).test(text));
}

/** Variables that docker-compose.yml sets, or shows in a comment, for the service; those of the database image are not ours. */
export function setByCompose(text: string): string[] {
  return [...text.matchAll(/^\s*(?:#\s*)?([A-Z][A-Z0-9_]+):/gm)]
    .map(([, name = ""]) => name)
    .filter((name) => !name.startsWith("POSTGRES_") && !name.startsWith("PG"));
}

/** Files that read the process environment. */
export function environmentReaders(files: readonly SourceFile[]): string[] {
  return files.filter(({ text }) => /\bprocess\s*\.\s*env\b|\bprocess\[/.test(text)).map(({ path }) => path);
}
