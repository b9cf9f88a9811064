import type {
  Address,
  CodeableConcept,
  ContactPoint,
  Extension,
  HumanName,
  Identifier,
  Patient,
} from "@medplum/fhirtypes";
import type { SettledIdentifier } from "../../domain/identifier-authority.ts";
import type {
  ReceivedAddress,
  ReceivedMoment,
  ReceivedName,
  ReceivedPerson,
  ReceivedTelecom,
  Said,
} from "../../domain/received-person.ts";
import { extensionUrl } from "../terminology/canonical.ts";
import {
  addressTypes,
  addressUses,
  contactSystems,
  contactUses,
  genders,
  identifierTypeSystem,
  mapped,
  maritalStatuses,
  nameUses,
} from "./tables.ts";

/** R4's extension for the time of birth (https://hl7.org/fhir/R4/extension-patient-birthtime.html). */
export const birthTimeUrl = "http://hl7.org/fhir/StructureDefinition/patient-birthTime";

/** Our own extension: the event that a record's demographics, or a stay, were last told by. An older one changes nothing. */
export const toldAtUrl = extensionUrl("told-at");

type PatientWithMarks = Patient & { _birthDate?: { extension?: Extension[] } };

/** When the record was last told of by a message; undefined where none did. */
export function toldMsOf(resource: { readonly extension?: readonly Extension[] }): number | undefined {
  const told = resource.extension?.find((one) => one.url === toldAtUrl)?.valueInstant;
  const ms = Date.parse(told ?? "");
  return Number.isNaN(ms) ? undefined : ms;
}

/** Extensions with the mark of the event that told last. */
export function toldBy(extensions: readonly Extension[] | undefined, event: ReceivedMoment): Extension[] {
  const others = (extensions ?? []).filter((one) => one.url !== toldAtUrl);
  return [...others, { url: toldAtUrl, valueInstant: new Date(event.ms).toISOString() }];
}

/**
 * The Patient after a message (segment PID of the v2-to-FHIR guide). What the message does not say stays; what it says is to
 * be taken away goes; a list that it gives takes the place of the one before. Identifiers are added and never taken away.
 */
export function patientAfter(
  before: Patient | undefined,
  person: ReceivedPerson,
  identifiers: readonly SettledIdentifier[],
  event: ReceivedMoment,
): Patient {
  const patient: PatientWithMarks = { ...(before ?? { resourceType: "Patient", active: true }) };
  patient.identifier = withIdentifiers(patient.identifier ?? [], identifiers);
  put(patient, "name", person.names, (names) => names.map(nameOf));
  put(patient, "gender", person.sex, (sex) => mapped(genders, sex));
  put(patient, "address", person.addresses, (addresses) => addresses.map(addressOf));
  put(patient, "telecom", person.telecoms, (telecoms) => telecoms.map(telecomOf));
  put(patient, "birthDate", person.birth, ({ date }) => date);
  if (person.birth !== undefined) {
    delete patient._birthDate;
    const dateTime = person.birth?.dateTime;
    if (dateTime !== undefined) patient._birthDate = { extension: [{ url: birthTimeUrl, valueDateTime: dateTime }] };
  }
  put(patient, "maritalStatus", person.maritalStatus, ({ code, text }): CodeableConcept | undefined => {
    const target = mapped(maritalStatuses, code);
    if (target === undefined) return text === undefined ? undefined : { text };
    const [system, mappedCode, display] = target;
    return { coding: [{ system, code: mappedCode, display }] };
  });
  put(patient, "communication", person.language, ({ code, text }) => [
    {
      language: {
        ...(isLanguage(code) ? { coding: [{ system: "urn:ietf:bcp:47", code }] } : {}),
        text: text ?? code ?? "",
      },
    },
  ]);
  setDeath(patient, person);
  patient.extension = toldBy(patient.extension, event);
  return withoutEmpty(patient);
}

function isLanguage(code: string | undefined): code is string {
  return code !== undefined && /^[a-z]{2}(-[A-Z]{2})?$/.test(code);
}

function put<Name extends keyof Patient, T>(
  patient: Patient,
  name: Name,
  said: Said<T>,
  value: (said: T) => Patient[Name] | undefined,
): void {
  if (said === undefined) return;
  const found = said === null ? undefined : value(said);
  if (found !== undefined) patient[name] = found;
  else if (said === null) delete patient[name];
}

/**
 * PID-29 goes before PID-30, as in the guide. That a person is not dead is kept as well (`deceasedBoolean` false): by it an older
 * death that comes later is known to have been taken back.
 */
function setDeath(patient: Patient, { diedAt, isDead }: ReceivedPerson): void {
  const isTakenBack = isDead === false || isDead === null || diedAt === null;
  if (isTakenBack && typeof diedAt !== "string") {
    delete patient.deceasedBoolean;
    delete patient.deceasedDateTime;
    if (isDead === false) patient.deceasedBoolean = false;
  }
  if (typeof diedAt === "string") {
    delete patient.deceasedBoolean;
    patient.deceasedDateTime = diedAt;
  } else if (isDead === true && patient.deceasedDateTime === undefined) patient.deceasedBoolean = true;
}

/**
 * The Patient after an older event than the one that told of it last: it changes nothing but a death that no event has said
 * anything of. Undefined where it changes nothing at all.
 */
export function patientAfterOlder(before: Patient, person: ReceivedPerson): Patient | undefined {
  const isSaid = before.deceasedBoolean !== undefined || before.deceasedDateTime !== undefined;
  if (isSaid || !(person.isDead === true || typeof person.diedAt === "string")) return undefined;
  const after = { ...before };
  setDeath(after, person);
  return after;
}

function withoutEmpty(patient: PatientWithMarks): Patient {
  for (const name of ["identifier", "name", "address", "telecom"] as const)
    if (patient[name]?.length === 0) delete patient[name];
  return patient;
}

/** Identifiers with these added, each once; one that was marked as former stays so. */
export function withIdentifiers(before: readonly Identifier[], added: readonly SettledIdentifier[]): Identifier[] {
  const fresh = added.filter(
    ({ system, value }, i) =>
      !before.some((one) => one.system === system && one.value === value) &&
      added.findIndex((one) => one.system === system && one.value === value) === i,
  );
  return [...before, ...fresh.map((one) => identifierOf(one))];
}

/** Identifiers with these marked as former; those that were not there are added as such. */
export function withFormer(before: readonly Identifier[], former: readonly SettledIdentifier[]): Identifier[] {
  const isFormer = ({ system, value }: Identifier) =>
    former.some((one) => one.system === system && one.value === value);
  return withIdentifiers(before, former).map((one) => (isFormer(one) ? { ...one, use: "old" as const } : one));
}

/** An identifier with its type of HL7 table 0203. */
export function identifierOf({ system, value, typeCode }: SettledIdentifier): Identifier {
  const type = typeCode === undefined ? {} : { type: { coding: [{ system: identifierTypeSystem, code: typeCode }] } };
  return { ...type, system, value };
}

function nameOf({ kind, family, given, prefix, suffix }: ReceivedName): HumanName {
  const use = mapped(nameUses, kind);
  return {
    ...(use === undefined ? {} : { use }),
    ...(family === undefined ? {} : { family }),
    ...(given.length === 0 ? {} : { given: [...given] }),
    ...(prefix === undefined ? {} : { prefix: [prefix] }),
    ...(suffix === undefined ? {} : { suffix: [suffix] }),
  };
}

function addressOf({ kind, lines, ...rest }: ReceivedAddress): Address {
  const [use, type] = [mapped(addressUses, kind), mapped(addressTypes, kind)];
  return {
    ...(use === undefined ? {} : { use }),
    ...(type === undefined ? {} : { type }),
    ...(lines.length === 0 ? {} : { line: [...lines] }),
    ...rest,
  };
}

function telecomOf({ value, use, equipment, fieldUse }: ReceivedTelecom): ContactPoint {
  const system = mapped(contactSystems, equipment) ?? (value.includes("@") ? "email" : "phone");
  const byField = use === undefined && fieldUse !== "none" ? fieldUse : undefined;
  const kind = equipment === "CP" ? "mobile" : (mapped(contactUses, use) ?? byField);
  return { system, value, ...(kind === undefined ? {} : { use: kind }) };
}
