import type { CodeSystem, ValueSet } from "@medplum/fhirtypes";
import { type PublishedFile, publishedResource } from "../r4/published.ts";
import { canonicalBase, withoutVersion } from "./canonical.ts";
import { codeSystemResources } from "./code-systems.ts";
import { type CodeList, type CodeSources, type CodeTable, codeListOf, codeTableOf } from "./code-table.ts";
import { valueSetResources } from "./value-sets.ts";

const tables = new Map<string, CodeTable>();
const lists = new Map<string, CodeList>();

/**
 * R4's own terminology, HL7 v3 and v2 as R4 publishes them, and ours: about 1060 code systems and 1320 value sets. Each is
 * read when it is first asked for, and kept; all together would take some 11 MB of heap. The first of a file takes 15 ms.
 */
export const heldTerminology: CodeSources = {
  codeTable: (url) => held(tables, url, (one) => tableOf(one)),
  codeList: (url) => held(lists, url, (one) => listOf(one)),
};

/**
 * Three tables of v2 changed so much that R4 counts their versions as systems of their own, with the bar in the url.
 * Only what was found is kept: other urls come from clients.
 */
function held<T>(known: Map<string, T>, url: string, read: (url: string) => T | undefined): T | undefined {
  for (const one of new Set([url, withoutVersion(url)])) {
    const found = known.get(one) ?? read(one);
    if (found === undefined) continue;
    known.set(one, found);
    return found;
  }
  return undefined;
}

function tableOf(url: string): CodeTable | undefined {
  const file = fileOf(url);
  const found =
    file === "own" ? ofOurs(codeSystemResources(), url) : publishedResource<CodeSystem>(file, "CodeSystem", url);
  return found && codeTableOf(found);
}

function listOf(url: string): CodeList | undefined {
  const file = fileOf(url);
  const found = file === "own" ? ofOurs(valueSetResources(), url) : publishedResource<ValueSet>(file, "ValueSet", url);
  return found && codeListOf(found);
}

function ofOurs<T extends { readonly url?: string }>(ours: readonly T[], url: string): T | undefined {
  return ours.find((one) => one.url === url);
}

/** R4 names every v3 and v2 resource by its prefix, so no other file has to be read for one. */
function fileOf(url: string): PublishedFile | "own" {
  const named = /^http:\/\/terminology\.hl7\.org\/(?:CodeSystem|ValueSet)\/(v[23])-/.exec(url)?.[1];
  if (named === "v3") return "v3-codesystems";
  if (named === "v2") return "v2-tables";
  return url.startsWith(`${canonicalBase}/`) ? "own" : "valuesets";
}
