import type { Patient } from "@medplum/fhirtypes";
import type { Fact } from "../domain/facts.ts";
import { isZone } from "../domain/local-day.ts";
import { firstDayOf } from "./day-range.ts";
import { idOf } from "./session.ts";

/** R4's extension for the zone a patient lives in (https://hl7.org/fhir/R4/extension-timezone.html). */
export const timezoneUrl = "http://hl7.org/fhir/StructureDefinition/timezone";

/** What computations need of a Patient; `zone` stands in where the record names none that exists. */
export function patientFacts(patient: Patient, zone: string): Fact[] {
  const stated = patient.extension?.find((one) => one.url === timezoneUrl)?.valueCode;
  const ownZone = stated !== undefined && isZone(stated) ? stated : zone;
  const replacedBy = patient.link?.find((one) => one.type === "replaced-by");
  const birthDay = /^\d{4}-\d\d-\d\d$/.test(patient.birthDate ?? "") ? patient.birthDate : undefined;
  const deceasedDay = deceasedDayOf(patient, ownZone);
  const replacement = idOf(replacedBy?.other.reference, "Patient");
  const organizationId = idOf(patient.managingOrganization?.reference, "Organization");
  return [
    {
      kind: "patient",
      patient: {
        patientId: patient.id ?? "",
        zone: ownZone,
        sortName: sortName(patient),
        active: patient.active !== false,
        ...(birthDay === undefined ? {} : { birthDay }),
        ...(deceasedDay === undefined ? {} : { deceasedDay }),
        ...(replacement === undefined ? {} : { replacedBy: replacement }),
        ...(organizationId === undefined ? {} : { organizationId }),
      },
    },
  ];
}

/** A death without a date counts from the day the record says so. */
function deceasedDayOf(patient: Patient, zone: string): string | undefined {
  if (patient.deceasedDateTime !== undefined) return firstDayOf(patient.deceasedDateTime, zone);
  return patient.deceasedBoolean === true ? firstDayOf(patient.meta?.lastUpdated, zone) : undefined;
}

/** `Family, Given` of the official or first name; the id when there is no name. */
function sortName(patient: Patient): string {
  const name = patient.name?.find((one) => one.use === "official") ?? patient.name?.[0];
  const given = name?.given?.join(" ");
  const parts = [name?.family, given].filter((part) => part !== undefined && part !== "");
  return parts.length > 0 ? parts.join(", ") : (name?.text ?? patient.id ?? "");
}

/** A Patient of this service. */
export function patientResource(person: {
  id: string;
  family: string;
  given: string;
  birthDate?: string;
  zone?: string;
  deceasedDateTime?: string;
  organizationId?: string;
}): Patient & { id: string } {
  return {
    resourceType: "Patient",
    id: person.id,
    ...(person.zone === undefined ? {} : { extension: [{ url: timezoneUrl, valueCode: person.zone }] }),
    active: true,
    name: [{ use: "official", family: person.family, given: [person.given] }],
    ...(person.birthDate === undefined ? {} : { birthDate: person.birthDate }),
    ...(person.deceasedDateTime === undefined ? {} : { deceasedDateTime: person.deceasedDateTime }),
    ...(person.organizationId === undefined
      ? {}
      : { managingOrganization: { reference: `Organization/${person.organizationId}` } }),
  };
}
