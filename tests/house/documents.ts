import { existsSync } from "node:fs";
import { dirname, join, normalize } from "node:path";
import type { SourceFile } from "./source-tree.ts";

const link = /\[[^\]]*\]\(([^)#\s]+)(?:#[^)]*)?\)/g;
const namedPath = /`((?:src|tests|docs|db|seed|openapi|\.ci)\/[\w./-]+)`/g;

/** Links and paths in documents that lead nowhere: what a document promises to be held by a file must be there. */
export function leadsNowhere(documents: readonly SourceFile[], root: string): string[] {
  return documents.flatMap(({ path, text }) => {
    const links = [...text.matchAll(link)]
      .map(([, target = ""]) => target)
      .filter((target) => !/^[a-z]+:/.test(target))
      .map((target) => normalize(join(dirname(path), target)));
    const named = [...text.matchAll(namedPath)].map(([, target = ""]) => target);
    return [...links, ...named]
      .filter((target) => !existsSync(join(root, target)))
      .map((target) => `${path}: ${target}`);
  });
}
