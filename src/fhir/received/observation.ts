import type { CodeableConcept, Extension, Observation, Quantity } from "@medplum/fhirtypes";
import type { ReceivedObservation, ReceivedValue } from "../../domain/received-observation.ts";
import type { ReceivedCode } from "../../domain/received-person.ts";
import { extensionUrl } from "../terminology/canonical.ts";
import { testDataLabel } from "../terminology/codes.ts";
import { codeSystemOf, receivedConcept } from "./coding.ts";
import { interpretationSystems, mapped, observationStatuses, sharedInterpretations } from "./tables.ts";

/** What a result whose status has no mapping becomes: nothing, or, for R (not verified) alone, a preliminary one. */
export interface ResultPolicy {
  readonly unverified: "skip" | "preliminary";
}

/** The status of a result (OBX-11); undefined where the guide has no mapping, and it is not taken in. */
export function observationStatus(
  resultStatus: string,
  { unverified }: ResultPolicy,
): Observation["status"] | undefined {
  if (resultStatus === "R" && unverified === "preliminary") return "preliminary";
  return mapped(observationStatuses, resultStatus);
}

const absentReasons = "http://terminology.hl7.org/CodeSystem/data-absent-reason";

/** Our own extension for OBX-4, which says what part of the device measured; R4 has no element for it. */
const subIdUrl = extensionUrl("observation-sub-id");

/** Device statuses in OBX-8 (IHE device profile) that say that a value is no measurement of a person. */
const testMarks: ReadonlySet<string> = new Set(["TEST", "DEMO"]);

/** A device's measurement as an Observation (segment OBX of the v2-to-FHIR guide); codes and units as received. */
export function measurementObservation(
  received: ReceivedObservation,
  about: {
    readonly id: string;
    readonly status: Observation["status"];
    readonly patientId: string;
    readonly deviceId: string;
  },
): Observation & { id: string } {
  const { interpretations, observed, subId, referenceRange, bodySite } = received;
  const isTest = interpretations.some((one) => testMarks.has(one));
  const meant = interpretations.filter((one) => !testMarks.has(one));
  const value = valueElement(received);
  const absent = absentReason(received.value, about.status, meant);
  const extension: Extension[] = subId === undefined ? [] : [{ url: subIdUrl, valueString: subId }];
  return {
    resourceType: "Observation",
    id: about.id,
    ...(isTest ? { meta: { security: [testDataLabel] } } : {}),
    ...(extension.length === 0 ? {} : { extension }),
    identifier: [{ system: measurementSystem, value: about.id }],
    status: about.status,
    code: receivedConcept(received.code),
    subject: { reference: `Patient/${about.patientId}` },
    effectiveDateTime: observed.text,
    device: { reference: `Device/${about.deviceId}` },
    ...(absent === undefined ? value : { dataAbsentReason: absent }),
    ...(meant.length === 0 ? {} : { interpretation: meant.map(interpretationOf) }),
    ...(referenceRange === undefined ? {} : { referenceRange: [{ text: referenceRange }] }),
    ...(bodySite === undefined ? {} : { bodySite: receivedConcept(bodySite) }),
  };
}

/** Our own identifier of a measurement: made of its device, code, part and time, so that a correction finds it. */
const measurementSystem = extensionUrl("measurement").replace("StructureDefinition", "sid");

function interpretationOf(code: string): CodeableConcept {
  const system = sharedInterpretations.has(code) ? interpretationSystems.v3 : interpretationSystems.v2;
  return { coding: [{ system, code }] };
}

/**
 * Without a value there is a reason. The guide's one for X, cannot-be-obtained, is no code of R4
 * (https://hl7.org/fhir/R4/valueset-data-absent-reason.html): not-performed is the nearest that is. NAV and INV of OBX-8 say
 * which otherwise.
 */
function absentReason(
  value: ReceivedValue,
  status: Observation["status"],
  interpretations: readonly string[],
): CodeableConcept | undefined {
  if (status === "cancelled") return coded("not-performed");
  if (value.kind !== "none") return undefined;
  if (interpretations.includes("INV")) return coded("error");
  return coded(interpretations.includes("NAV") ? "temp-unknown" : "unknown");
}

function coded(code: string): CodeableConcept {
  return { coding: [{ system: absentReasons, code }] };
}

type Valued = Partial<
  Pick<
    Observation,
    "valueQuantity" | "valueString" | "valueCodeableConcept" | "valueDateTime" | "valueRange" | "valueTime"
  >
>;

function valueElement({ value, unit }: ReceivedObservation): Valued {
  switch (value.kind) {
    case "number": {
      const { comparator } = value;
      const compared =
        comparator === undefined ? {} : { comparator: comparator as NonNullable<Quantity["comparator"]> };
      return { valueQuantity: { value: value.value, ...compared, ...unitOf(unit) } };
    }
    case "text":
      return { valueString: value.text };
    case "code":
      return { valueCodeableConcept: receivedConcept(value.code) };
    case "time":
      return { valueString: value.text };
    case "range": {
      const end = (number: number | undefined) =>
        number === undefined ? undefined : { value: number, ...unitOf(unit) };
      const [low, high] = [end(value.low), end(value.high)];
      return { valueRange: { ...(low === undefined ? {} : { low }), ...(high === undefined ? {} : { high }) } };
    }
    case "none":
      return {};
  }
}

/** A unit as received: its code under its system (UCUM, MDC), and its name. */
function unitOf(unit: ReceivedCode | undefined): Pick<Quantity, "unit" | "system" | "code"> {
  if (unit === undefined) return {};
  const system = codeSystemOf(unit.system);
  const name = unit.text ?? unit.code;
  return {
    ...(name === undefined ? {} : { unit: name }),
    // A code without its system may not stand alone (R4, qty-3).
    ...(system === undefined || unit.code === undefined ? {} : { system, code: unit.code }),
  };
}
