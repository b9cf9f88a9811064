import type { CodeSystem, CodeSystemConcept, ValueSet } from "@medplum/fhirtypes";

/** What a code system says of one concept beyond its code and display; only for concepts that have any of it. */
export type ConceptDetails = Pick<CodeSystemConcept, "definition" | "designation" | "property">;

/** A code system as far as lists, checks and look-ups need it: without narrative, and flat. */
export interface CodeTable {
  readonly url: string;
  readonly name: string;
  readonly version: string | undefined;
  /** Whether every code of the system is here; others cannot be listed as a whole. */
  readonly complete: boolean;
  /** Displays by code in the order of the system, children after their parent; empty where there is none. */
  readonly displays: ReadonlyMap<string, string>;
  /** Children by parent, from nesting and from the properties `parent` and `child`. */
  readonly children: ReadonlyMap<string, readonly string[]>;
  readonly details: ReadonlyMap<string, ConceptDetails>;
}

/** A value set as far as its codes need it. */
export type CodeList = Pick<ValueSet, "url" | "name" | "title" | "version" | "status" | "compose">;

/** Where the code systems and value sets that a value set names are found; a version behind `|` is ignored. */
export interface CodeSources {
  codeTable(url: string): CodeTable | undefined;
  codeList(url: string): CodeList | undefined;
}

/** A code system made flat. Takes any CodeSystem that `checkResource` allows. */
export function codeTableOf(system: CodeSystem): CodeTable {
  const displays = new Map<string, string>();
  const below = new Map<string, Set<string>>();
  const details = new Map<string, ConceptDetails>();
  const link = (parent: string, child: string): void => {
    const known = below.get(parent);
    if (known === undefined) below.set(parent, new Set([child]));
    else known.add(child);
  };
  const add = (concepts: readonly CodeSystemConcept[]): void => {
    for (const concept of concepts) {
      const { code, display = "", concept: nested = [] } = concept;
      displays.set(code, display);
      const said = detailsOf(concept);
      if (said !== undefined) details.set(code, said);
      for (const child of nested) link(code, child.code);
      for (const { code: name, valueCode } of concept.property ?? []) {
        if (name === "child" && valueCode !== undefined) link(code, valueCode);
        if (name === "parent" && valueCode !== undefined) link(valueCode, code);
      }
      add(nested);
    }
  };
  add(system.concept ?? []);
  const children = new Map([...below].map(([parent, codes]) => [parent, [...codes]]));
  const { url = "", version, content } = system;
  const name = system.title ?? system.name ?? url;
  return { url, name, version, complete: content === "complete", displays, children, details };
}

function detailsOf({ definition, designation, property }: CodeSystemConcept): ConceptDetails | undefined {
  if (definition === undefined && designation === undefined && property === undefined) return undefined;
  return {
    ...(definition === undefined ? {} : { definition }),
    ...(designation === undefined ? {} : { designation }),
    ...(property === undefined ? {} : { property }),
  };
}

/** What is kept of a value set. */
export function codeListOf({ url, name, title, version, status, compose }: ValueSet): CodeList {
  return {
    status,
    ...(url === undefined ? {} : { url }),
    ...(name === undefined ? {} : { name }),
    ...(title === undefined ? {} : { title }),
    ...(version === undefined ? {} : { version }),
    ...(compose === undefined ? {} : { compose }),
  };
}

/** A code and everything below it in the hierarchy; a code that the system lacks has nothing below. */
export function withDescendants(table: CodeTable, code: string): ReadonlySet<string> {
  const found = new Set<string>();
  const waiting = table.displays.has(code) ? [code] : [];
  for (let next = waiting.pop(); next !== undefined; next = waiting.pop()) {
    if (found.has(next)) continue;
    found.add(next);
    waiting.push(...(table.children.get(next) ?? []));
  }
  return found;
}

/** Whether a concept only groups others: `notSelectable` of https://hl7.org/fhir/R4/codesystem.html#defined-props. */
export function isAbstract(table: CodeTable, code: string): boolean {
  return hasProperty(table, code, (one) => one.code === "notSelectable" && one.valueBoolean === true);
}

/** Whether a concept is no longer in use: `inactive`, or a `status` of retired (deprecated concepts may still be used). */
export function isInactive(table: CodeTable, code: string): boolean {
  return hasProperty(
    table,
    code,
    (one) =>
      (one.code === "inactive" && one.valueBoolean === true) || (one.code === "status" && one.valueCode === "retired"),
  );
}

type Property = NonNullable<ConceptDetails["property"]>[number];

function hasProperty(table: CodeTable, code: string, holds: (one: Property) => boolean): boolean {
  return table.details.get(code)?.property?.some(holds) ?? false;
}
