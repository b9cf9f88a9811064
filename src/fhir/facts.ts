import type { Resource } from "@medplum/fhirtypes";
import type { Fact } from "../domain/facts.ts";
import { absenceOf, holidayOf } from "./absence.ts";
import { alertFact } from "./alert.ts";
import { consentDenials } from "./consent.ts";
import { contraindicationFact } from "./contraindication.ts";
import { deviceFacts } from "./device.ts";
import { deviceUseFacts } from "./device-use.ts";
import { infectionFact } from "./infection.ts";
import { patientFacts } from "./patient.ts";
import { planFact, profileFact } from "./prescription.ts";
import { screeningFact } from "./screening.ts";
import { sessionOf } from "./session.ts";
import { taskFact } from "./task.ts";
import { clockCheckOf, coverageOf } from "./upload.ts";

/** Where and by which day parts a resource's local days are settled. */
export interface FactContext {
  /** IANA zone of the patient concerned, or the service's default. */
  readonly zone: string;
  readonly dayParts: Parameters<typeof sessionOf>[1]["dayParts"];
}

/**
 * What a resource states for the tables that computations read, whoever made it. Resources that state nothing here,
 * or are entered in error, give an empty list.
 */
export function factsOf(resource: Resource, context: FactContext): Fact[] {
  const { zone } = context;
  switch (resource.resourceType) {
    case "Patient":
      return patientFacts(resource, zone);
    case "Device":
      return deviceFacts(resource);
    case "DeviceUseStatement":
      return deviceUseFacts(resource, zone);
    case "Observation": {
      const session = sessionOf(resource, context);
      return session === undefined ? alertFact(resource, zone) : [{ kind: "session", session }];
    }
    case "DocumentReference":
      return [...coverageOf(resource), ...clockCheckOf(resource)];
    case "CarePlan":
      return planFact(resource, zone);
    case "DeviceRequest":
      return profileFact(resource, zone);
    case "Flag":
      return [...contraindicationFact(resource, zone), ...holidayOf(resource, zone)];
    case "Condition":
      return infectionFact(resource, zone);
    case "QuestionnaireResponse":
      return screeningFact(resource, zone);
    case "Consent":
      return consentDenials(resource, zone);
    case "Encounter":
      return absenceOf(resource, zone);
    case "Task":
      return taskFact(resource);
    default:
      return [];
  }
}
