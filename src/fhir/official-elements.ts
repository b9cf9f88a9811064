import type { ElementDefinition, StructureDefinition } from "@medplum/fhirtypes";

/** Elements that the definitions package took from releases after R4; what is inside them goes with them. */
const foreign: readonly string[] = [
  "Binary.url",
  "DeviceDefinition.bodySite",
  ...[
    ...["associatedParty", "classifier", "comparisonGroup", "descriptionSummary", "label", "name", "outcomeMeasure"],
    ...["progressStatus", "recruitment", "region", "result", "studyDesign", "whyStopped", "objective.description"],
  ].map((name) => `ResearchStudy.${name}`),
];

const characteristic = "EvidenceVariable.characteristic";

/** The elements of a characteristic as https://hl7.org/fhir/R4/evidencevariable-definitions.html has them. */
const characteristicElements: readonly ElementDefinition[] = [
  element("description", 0, "1", { code: "string" }),
  element(
    "definition[x]",
    1,
    "1",
    { code: "Reference", targetProfile: ["http://hl7.org/fhir/StructureDefinition/Group"] },
    { code: "canonical", targetProfile: ["http://hl7.org/fhir/StructureDefinition/ActivityDefinition"] },
    { code: "CodeableConcept" },
    { code: "Expression" },
    { code: "DataRequirement" },
    { code: "TriggerDefinition" },
  ),
  element("usageContext", 0, "*", { code: "UsageContext" }),
  element("exclude", 0, "1", { code: "boolean" }),
  element(
    "participantEffective[x]",
    0,
    "1",
    { code: "dateTime" },
    { code: "Period" },
    { code: "Duration" },
    { code: "Timing" },
  ),
  element("timeFromStart", 0, "1", { code: "Duration" }),
  {
    ...element("groupMeasure", 0, "1", { code: "code" }),
    binding: { strength: "required", valueSet: "http://hl7.org/fhir/ValueSet/group-measure|4.0.1" },
  },
];

function element(
  name: string,
  min: number,
  max: string,
  ...type: NonNullable<ElementDefinition["type"]>
): ElementDefinition {
  const path = `${characteristic}.${name}`;
  return { id: path, path, min, max, type, base: { path, min, max } };
}

/**
 * The definitions as R4 published them: the package that carries them mixes some of a later release in, which would let
 * pass what R4 does not have, and refuse every EvidenceVariable of R4. Other definitions are handed back untouched.
 */
export function officialElements(structure: StructureDefinition): StructureDefinition {
  const elements = structure.snapshot?.element;
  if (elements === undefined) return structure;
  if (structure.name === "EvidenceVariable") return withElements(structure, elements.flatMap(ofEvidenceVariable));
  if (!foreign.some((path) => path.startsWith(`${structure.name}.`))) return structure;
  const isForeign = ({ path = "" }) => foreign.some((one) => path === one || path.startsWith(`${one}.`));
  return withElements(
    structure,
    elements.filter((one) => !isForeign(one)),
  );
}

function withElements(structure: StructureDefinition, element: ElementDefinition[]): StructureDefinition {
  return { ...structure, snapshot: { ...structure.snapshot, element } };
}

/** Ids and extensions stay; the last of these is where R4's own elements begin. */
function ofEvidenceVariable(one: ElementDefinition): ElementDefinition[] {
  const { path = "" } = one;
  if (path === characteristic) {
    const { constraint = [], ...rest } = one;
    return [{ ...rest, min: 1, max: "*", constraint: constraint.filter(({ key }) => !key?.startsWith("evv-")) }];
  }
  if (path === `${characteristic}.modifierExtension`) return [one, ...characteristicElements];
  if (!path.startsWith(`${characteristic}.`)) return [one];
  return path === `${characteristic}.id` || path === `${characteristic}.extension` ? [one] : [];
}
