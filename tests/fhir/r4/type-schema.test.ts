import { parseStructureDefinition } from "@medplum/core";
import type { StructureDefinition } from "@medplum/fhirtypes";
import { expect, test } from "vitest";
import { structureNames, structureOf } from "../../../src/fhir/r4/structures.ts";
import { typeSchemaOf } from "../../../src/fhir/r4/type-schema.ts";

// The library's own reader, on the same structures; tests/fhir/r4/structures.test.ts holds those against the published ones.
test("every structure of R4 reads as @medplum/core reads it", () => {
  expect(structureNames().length).toBeGreaterThan(200);
  for (const { name } of structureNames()) {
    const structure = structureOf(name) as StructureDefinition;
    expect(typeSchemaOf(structure), name).toEqual(parseStructureDefinition(structure));
  }
});

test("a structure without elements, and a repetition of nothing, are refused", () => {
  const structure = structureOf("Flag") as StructureDefinition;
  expect(() => typeSchemaOf({ ...structure, snapshot: { element: [] } })).toThrow("Flag has no elements");
  const element = [{ path: "Flag" }, { path: "Flag.again", contentReference: "#Flag.none" }];
  expect(() => typeSchemaOf({ ...structure, snapshot: { element } as never })).toThrow("repeats #Flag.none");
});
