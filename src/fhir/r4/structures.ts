import { readFileSync } from "node:fs";
import type { ElementDefinition, ElementDefinitionConstraint, StructureDefinition } from "@medplum/fhirtypes";

/** One structure of R4 by its name, and the names of the backbone elements within it (`ObservationComponent`). */
export interface StructureName {
  readonly name: string;
  readonly kind: "resource" | "complex-type" | "primitive-type";
  readonly isAbstract: boolean;
  readonly inner: readonly string[];
}

/** What the packed file says before the structures: one entry for each of the lines below it, in their order. */
export interface PackedIndex {
  readonly structures: readonly StructureName[];
  /** Invariants, each once; elements name them by their place in this list. */
  readonly constraints: readonly ElementDefinitionConstraint[];
}

/** One structure, with what R4 says most often left out. */
export interface PackedStructure {
  readonly name: string;
  readonly type: string;
  readonly url: string;
  readonly derivation?: "constraint";
  readonly elements: readonly PackedElement[];
}

/** One element: 0..1, of no type of its own and without marks, unless it says otherwise. */
export interface PackedElement {
  /** Below the type: `component.value[x]`; absent for the type itself. */
  readonly path?: string;
  readonly min?: number;
  readonly max?: string;
  /** The most that the definition this one is derived from allows, where it is another. */
  readonly baseMax?: string;
  readonly type?: readonly (string | PackedType)[];
  readonly contentReference?: string;
  readonly constraint?: readonly number[];
  readonly binding?: readonly [strength: string, valueSet: string];
  readonly isSummary?: true;
  readonly isModifier?: true;
}

/** A type that says more than its code. Profiles of R4 go without their base address. */
export interface PackedType {
  readonly code: string;
  readonly profile?: readonly string[];
  readonly targetProfile?: readonly string[];
}

/** Where R4's own structures have their canonical address. */
export const structureBase = "http://hl7.org/fhir/StructureDefinition/";

interface Packed extends PackedIndex {
  readonly text: Buffer;
  /** Where the line of each structure begins and ends. */
  readonly lines: ReadonlyMap<string, readonly [from: number, to: number]>;
}

let packed: Packed | undefined;

/** Reads the file that `npm run definitions` makes; of its megabyte only the index is parsed, in some 5 ms. */
function file(): Packed {
  if (packed !== undefined) return packed;
  const text = readFileSync(new URL("structures.ndjson", import.meta.url));
  let from = text.indexOf(10) + 1;
  const index = JSON.parse(text.toString("utf8", 0, from)) as PackedIndex;
  const lines = new Map<string, readonly [number, number]>();
  for (const { name } of index.structures) {
    const to = text.indexOf(10, from);
    lines.set(name, [from, to]);
    from = to + 1;
  }
  packed = { ...index, text, lines };
  return packed;
}

/** The structures of R4 – resources, data types, primitives –, in the order of the specification. */
export function structureNames(): readonly StructureName[] {
  return file().structures;
}

/**
 * A structure of R4 as far as checks, searches and summaries need it: path, cardinality, types, bindings, invariants and
 * marks of its elements, no words. Undefined for a name that R4 does not have. Unpacked anew each time: well below 1 ms.
 */
export function structureOf(name: string): StructureDefinition | undefined {
  const { lines, text, constraints, structures } = file();
  const line = lines.get(name);
  if (line === undefined) return undefined;
  const one = JSON.parse(text.toString("utf8", ...line)) as PackedStructure;
  const known = structures.find((each) => each.name === name);
  const root = one.derivation === undefined ? one.name : one.type;
  return {
    resourceType: "StructureDefinition",
    name: one.name,
    type: one.type,
    url: one.url,
    status: "active",
    kind: known?.kind ?? "resource",
    abstract: known?.isAbstract === true,
    derivation: one.derivation ?? "specialization",
    snapshot: { element: one.elements.map((element) => elementOf(root, element, constraints)) },
  };
}

function elementOf(
  root: string,
  one: PackedElement,
  constraints: readonly ElementDefinitionConstraint[],
): ElementDefinition {
  const path = one.path === undefined ? root : `${root}.${one.path}`;
  const max = one.max ?? "1";
  return {
    path,
    min: one.min ?? 0,
    max,
    base: { path, min: 0, max: one.baseMax ?? max },
    ...(one.type === undefined ? {} : { type: one.type.map(typeOf) }),
    ...(one.contentReference === undefined ? {} : { contentReference: one.contentReference }),
    ...(one.constraint === undefined ? {} : { constraint: one.constraint.flatMap((at) => constraints[at] ?? []) }),
    ...(one.binding === undefined ? {} : { binding: bindingOf(one.binding) }),
    ...(one.isSummary === undefined ? {} : { isSummary: true }),
    ...(one.isModifier === undefined ? {} : { isModifier: true }),
  };
}

function typeOf(one: string | PackedType): NonNullable<ElementDefinition["type"]>[number] {
  if (typeof one === "string") return { code: one };
  const { code, profile, targetProfile } = one;
  return {
    code,
    ...(profile === undefined ? {} : { profile: profile.map(fullUrl) }),
    ...(targetProfile === undefined ? {} : { targetProfile: targetProfile.map(fullUrl) }),
  };
}

function bindingOf([strength, valueSet]: readonly [string, string]): NonNullable<ElementDefinition["binding"]> {
  return { strength: strength as "required", valueSet };
}

function fullUrl(name: string): string {
  return name.includes(":") ? name : structureBase + name;
}
