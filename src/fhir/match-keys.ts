import type { Patient } from "@medplum/fhirtypes";
import { birthDateSlips } from "../domain/match-fields.ts";
import { accepted, type Result, refused } from "../domain/result.ts";
import type { Definitions } from "./definitions.ts";
import { rangeOfDate } from "./search/date.ts";
import { foldString } from "./search/string.ts";
import { tokenTerm } from "./search/token.ts";

/** What candidates are found by in the search index: the keys of its entries and the values to look for. */
export interface MatchKeys {
  /** Terms of identifiers; any one is enough. */
  readonly identifierTerms: readonly string[];
  /** Terms of phone numbers and mail addresses; any one is enough. */
  readonly contactTerms: readonly string[];
  readonly familyKeys: readonly string[];
  readonly givenKeys: readonly string[];
  /** Family and given names, folded as the index folds them; looked for in either place, as people exchange them. */
  readonly names: readonly string[];
  readonly postcodeKeys: readonly string[];
  readonly postcodes: readonly string[];
  readonly birthDateKeys: readonly string[];
  /** Half-open ranges that a stored birth date may begin in. */
  readonly birthDates: readonly { readonly lowMs: number; readonly highMs: number }[];
}

const mostValues = 50;

/** The keys for this Patient; refused where nothing in it could find anyone (https://hl7.org/fhir/R4/patient-operation-match.html). */
export function matchKeys(definitions: Definitions, patient: Patient): Result<MatchKeys> {
  const keysOf = (code: string) => (definitions.parameters("Patient").get(code)?.atoms ?? []).map(({ key }) => key);
  const families = distinct((patient.name ?? []).flatMap(({ family }) => spellings(family)));
  const givens = distinct((patient.name ?? []).flatMap(({ given }) => (given ?? []).flatMap(spellings)));
  const inTexts = (patient.name ?? []).flatMap((name) =>
    name.family === undefined && name.given === undefined ? foldString(name.text ?? "").split(/[\s,]+/) : [],
  );
  const keys: MatchKeys = {
    identifierTerms: identifierTerms(patient, keysOf("identifier")),
    contactTerms: contactTerms(patient, keysOf("telecom")),
    familyKeys: keysOf("family"),
    givenKeys: keysOf("given"),
    names: distinct([...families, ...givens, ...inTexts.filter((word) => word !== "")]),
    postcodeKeys: keysOf("address-postalcode"),
    postcodes: distinct((patient.address ?? []).flatMap(({ postalCode }) => spellings(postalCode))),
    birthDateKeys: keysOf("birthdate"),
    birthDates: birthDateRanges(patient.birthDate),
  };
  const dated = keys.birthDates.length > 0 && keys.names.length + keys.postcodes.length > 0;
  const named = (families.length > 0 && givens.length > 0) || inTexts.length > 1;
  const direct = keys.identifierTerms.length + keys.contactTerms.length > 0;
  return direct || dated || named ? accepted(keys) : refused(nothingToMatchOn);
}

/** R4 answers a fragment with insufficient properties with a Bad Request. */
const nothingToMatchOn = {
  kind: "invalid",
  detail:
    "There is too little to find anyone by. Send an identifier, a phone number, a mail address, family and given name, or a birth date with a name or a postcode.",
  at: "Patient",
  status: 400,
} as const;

function distinct(values: readonly string[]): string[] {
  return [...new Set(values)].slice(0, mostValues);
}

/** A value as the index holds it, without blanks, and the halves of a double name. */
function spellings(text: string | undefined): string[] {
  const folded = foldString((text ?? "").slice(0, 500));
  const halves = folded.split(/[\s-]+/).filter((half) => half.length > 2);
  return [folded, folded.replace(/\s/g, ""), ...halves].filter((one) => one !== "");
}

function identifierTerms(patient: Patient, keys: readonly string[]): string[] {
  const terms = (patient.identifier ?? []).flatMap(({ system, value }) => {
    if (value === undefined || value === "") return [];
    const values = distinct([value, value.replace(/\s+/g, "")]);
    // One stored without a system may be the same number.
    const systems = system === undefined ? [undefined] : [system, ""];
    return keys.flatMap((key) => values.flatMap((one) => systems.map((of) => tokenTerm(key, of, one))));
  });
  return [...new Set(terms)];
}

function contactTerms(patient: Patient, keys: readonly string[]): string[] {
  const values = (patient.telecom ?? []).flatMap(({ system, value = "" }) => {
    if (system === "email") return [value, value.trim(), value.trim().toLowerCase()];
    const digits = value.replace(/\D/g, "");
    return system === "phone" || system === "sms" ? [value, value.trim(), digits, digits && `+${digits}`] : [];
  });
  const terms = distinct(values.filter((value) => value !== ""));
  return keys.flatMap((key) => terms.map((value) => tokenTerm(key, undefined, value)));
}

/** The date itself, what it becomes by a usual slip, and the starts of its month and year for records that know no more. */
function birthDateRanges(date: string | undefined): { lowMs: number; highMs: number }[] {
  if (date === undefined) return [];
  const starts = date.length === 10 ? [`${date.slice(0, 4)}-01-01`, `${date.slice(0, 7)}-01`] : [];
  const dates = [date, ...(date.length === 10 ? birthDateSlips(date) : []), ...starts];
  return [...new Set(dates)].flatMap((one) => rangeOfDate(one) ?? []);
}
