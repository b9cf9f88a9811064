import { canonical } from "./canonical.ts";
import { ownCodeSystems } from "./code-systems.ts";

/** A code of somebody else's system that we ship; docs/evidence/codes.json says where each was read. */
export interface ShippedCode {
  readonly system: string;
  readonly code: string;
  readonly display: string;
}

/** Systems of codes that others send and that are kept as they were sent; none of their codes is ours to ship. */
export const outsideSystems = {
  mdc: "urn:iso:std:iso:11073:10101",
  loinc: "http://loinc.org",
  snomed: "http://snomed.info/sct",
} as const;

/** The therapy itself, as a second coding beside our own. */
export const assistedCoughTherapy: ShippedCode = {
  system: "http://snomed.info/sct",
  code: "787180006",
  display: "Mechanical insufflation exsufflation (regime/therapy)",
};

/**
 * SNOMED CT concepts under which hospitals flag what stands in our catalogue, with the catalogue's code. Only such as make
 * a flag weigh more than an unknown one: a code read in secondary copies alone may not make a warning weigh less.
 */
export const contraindicationConcepts: readonly (ShippedCode & { readonly means: string })[] = [
  {
    system: "http://snomed.info/sct",
    code: "36118008",
    display: "Pneumothorax (disorder)",
    means: "pneumothorax",
  },
  { system: "http://snomed.info/sct", code: "66857006", display: "Hemoptysis", means: "haemoptysis" },
];

/** A chest infection as hospitals code it. */
export const lowerRespiratoryInfection: ShippedCode = {
  system: "http://snomed.info/sct",
  code: "50417007",
  display: "Lower respiratory tract infection (disorder)",
};

/** Security label of test data (FHIR R4 security labels, v3 ActReason). */
export const testDataLabel: ShippedCode = {
  system: "http://terminology.hl7.org/CodeSystem/v3-ActReason",
  code: "HTEST",
  display: "test health data",
};

const ucum = "http://unitsofmeasure.org";

/** Units of everything that this service measures or asks for (UCUM, case-sensitive). */
export const ucumUnits: readonly ShippedCode[] = [
  { system: ucum, code: "cm[H2O]", display: "centimetre of water" },
  { system: ucum, code: "s", display: "second" },
  { system: ucum, code: "mL", display: "millilitre" },
  { system: ucum, code: "L/min", display: "litre per minute" },
  { system: ucum, code: "%", display: "percent" },
  { system: ucum, code: "/min", display: "per minute" },
  { system: ucum, code: "min", display: "minute" },
  { system: ucum, code: "d", display: "day" },
  { system: ucum, code: "1", display: "the unity" },
  { system: ucum, code: "{cycle}", display: "cycle (annotation)" },
];

/**
 * Outside codes and units that this service chose, and the terms of its own code systems. Codes that R4 itself binds an
 * element to (a status, a flag category, an encounter class) are not listed: the validator holds them.
 */
export const shippedCodes: readonly ShippedCode[] = [
  assistedCoughTherapy,
  ...contraindicationConcepts.map(({ system, code, display }) => ({ system, code, display })),
  lowerRespiratoryInfection,
  testDataLabel,
  ...ucumUnits,
  ...ownCodeSystems.flatMap(({ name, concepts }) =>
    concepts.map(({ code, display }) => ({ system: canonical("CodeSystem", name), code, display })),
  ),
];
