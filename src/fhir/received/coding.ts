import type { CodeableConcept, Coding } from "@medplum/fhirtypes";
import type { ReceivedCode } from "../../domain/received-person.ts";
import { ucumSystem } from "../search/ucum.ts";
import { canonicalBase } from "../terminology/canonical.ts";
import { outsideSystems } from "../terminology/codes.ts";

/** Code systems by the names of HL7 table 0396 that messages of devices use. */
const systems: Readonly<Record<string, string>> = {
  MDC: outsideSystems.mdc,
  LN: outsideSystems.loinc,
  SCT: outsideSystems.snomed,
  UCUM: ucumSystem,
};

/** Where code systems stand whose name is all that a message tells. */
const unknownCodings = `${canonicalBase}/sid/hl7v2-coding`;

/**
 * The FHIR system of a coding system's name; a name that is not known goes under ours, so that it never passes for another.
 * Undefined without a name.
 */
export function codeSystemOf(name: string | undefined): string | undefined {
  if (name === undefined) return undefined;
  const known = Object.hasOwn(systems, name) ? systems[name] : undefined;
  if (known !== undefined) return known;
  const table = /^HL7(\d{4})$/.exec(name)?.[1];
  if (table !== undefined) return `http://terminology.hl7.org/CodeSystem/v2-${table}`;
  return `${unknownCodings}/${encodeURIComponent(name)}`;
}

/** A code as it was received: nothing about it is looked up or changed. */
export function receivedConcept({ code, text, system }: ReceivedCode): CodeableConcept {
  const from = codeSystemOf(system);
  const coding: Coding = {
    ...(from === undefined ? {} : { system: from }),
    ...(code === undefined ? {} : { code }),
    ...(text === undefined ? {} : { display: text }),
  };
  return code === undefined ? { text: text ?? "" } : { coding: [coding], ...(text === undefined ? {} : { text }) };
}
