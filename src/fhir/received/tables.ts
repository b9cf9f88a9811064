/**
 * Tables of HL7 v2 as the v2-to-FHIR guide maps them (http://hl7.org/fhir/uv/v2mappings, version 1.0.0 for FHIR R4). A code
 * that a table lacks has no mapping there, and gets none here.
 */

/** HL7 table 0001 to AdministrativeGender. */
export const genders = { F: "female", M: "male", O: "other", U: "unknown", A: "other", N: "other" } as const;

/** HL7 table 0200 to NameUse. */
export const nameUses = {
  BAD: "old",
  D: "usual",
  L: "official",
  M: "maiden",
  MSK: "anonymous",
  N: "nickname",
  NAV: "temp",
  R: "official",
  TEMP: "temp",
} as const;

/** HL7 table 0190 to AddressUse. */
export const addressUses = { BA: "old", BI: "billing", C: "temp", B: "work", H: "home", O: "work" } as const;

/** HL7 table 0190 to AddressType. */
export const addressTypes = { M: "postal", SH: "postal" } as const;

/** HL7 table 0202 to ContactPointSystem; `CP` is a phone whose use is `mobile`. */
export const contactSystems = {
  PH: "phone",
  FX: "fax",
  MD: "other",
  CP: "phone",
  SAT: "other",
  BP: "pager",
  Internet: "email",
  "X.400": "email",
  TDD: "other",
  TTY: "other",
} as const;

/** HL7 table 0201 to ContactPointUse, as far as one fits one. */
export const contactUses = { PRN: "home", WPN: "work", PRS: "mobile" } as const;

const v3MaritalStatus = "http://terminology.hl7.org/CodeSystem/v3-MaritalStatus";
const v3NullFlavor = "http://terminology.hl7.org/CodeSystem/v3-NullFlavor";

/** HL7 table 0002 to v3 MaritalStatus, and to a null flavor where nothing is known. */
export const maritalStatuses: Readonly<Record<string, readonly [system: string, code: string, display: string]>> = {
  A: [v3MaritalStatus, "L", "Legally Separated"],
  D: [v3MaritalStatus, "D", "Divorced"],
  M: [v3MaritalStatus, "M", "Married"],
  S: [v3MaritalStatus, "S", "Never Married"],
  W: [v3MaritalStatus, "W", "Widowed"],
  C: [v3MaritalStatus, "C", "Common Law"],
  G: [v3MaritalStatus, "T", "Domestic partner"],
  P: [v3MaritalStatus, "T", "Domestic partner"],
  R: [v3MaritalStatus, "T", "Domestic partner"],
  E: [v3MaritalStatus, "L", "Legally Separated"],
  N: [v3MaritalStatus, "A", "Annulled"],
  I: [v3MaritalStatus, "I", "Interlocutory"],
  B: [v3MaritalStatus, "U", "unmarried"],
  U: [v3NullFlavor, "UNK", "unknown"],
  O: [v3NullFlavor, "OTH", "other"],
  T: [v3NullFlavor, "NAVU", "Not available"],
};

const v3ActCode = "http://terminology.hl7.org/CodeSystem/v3-ActCode";

/** HL7 table 0004 to the class of an Encounter; others keep their own code. */
export const encounterClasses: Readonly<Record<string, readonly [system: string, code: string, display: string]>> = {
  E: [v3ActCode, "EMER", "emergency"],
  I: [v3ActCode, "IMP", "inpatient encounter"],
  O: [v3ActCode, "AMB", "ambulatory"],
  P: [v3ActCode, "PRENC", "pre-admission"],
};

/** The class of a stay whose days ask for no therapy. */
export const inpatientClass = { system: v3ActCode, code: "IMP", display: "inpatient encounter" } as const;

/** HL7 table 0085 to ObservationStatus. R, S, B, I and O have no mapping: such a result is not taken in. */
export const observationStatuses = {
  A: "amended",
  C: "corrected",
  D: "entered-in-error",
  F: "final",
  P: "preliminary",
  W: "entered-in-error",
  X: "cancelled",
} as const;

/** HL7 table 0203 is a code system of its own in FHIR. */
export const identifierTypeSystem = "http://terminology.hl7.org/CodeSystem/v2-0203";

/** HL7 table 0078 likewise; those of its codes that v3 has too go under v3. */
export const interpretationSystems = {
  v2: "http://terminology.hl7.org/CodeSystem/v2-0078",
  v3: "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation",
} as const;

/** Interpretations that both systems spell alike. */
export const sharedInterpretations: ReadonlySet<string> = new Set(["L", "H", "LL", "HH", "N", "A", "AA"]);

/** The target of a code in one of the tables; undefined where it has no mapping. */
export function mapped<Table extends Readonly<Record<string, unknown>>>(
  table: Table,
  code: string | undefined,
): Table[keyof Table] | undefined {
  return code !== undefined && Object.hasOwn(table, code) ? (table[code] as Table[keyof Table]) : undefined;
}
