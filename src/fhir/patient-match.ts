import type { Address, HumanName, Patient } from "@medplum/fhirtypes";
import type { FoldedName } from "../domain/match-fields.ts";
import type { MatchGrade, PersonRecord } from "../domain/patient-match.ts";
import { foldString } from "./search/string.ts";

/** R4's extension of an entry's search for how sure a match is (https://hl7.org/fhir/R4/extension-match-grade.html). */
export const matchGradeUrl = "http://hl7.org/fhir/StructureDefinition/match-grade";

// Names are compared each with each; what is cut off here can only be missed as an agreement.
const mostNames = 20;
const mostLetters = 100;

/** Letters that Unicode does not take apart into a plain one and a mark, as they are usually written without. */
const plainLetters: Readonly<Record<string, string>> = {
  ß: "ss",
  æ: "ae",
  œ: "oe",
  ø: "o",
  ł: "l",
  đ: "d",
  ð: "d",
  þ: "th",
  ı: "i",
};

/** A name as it is compared: lower case, no accents, special letters spelled out. */
export function foldName(text: string): string {
  return foldString(text.slice(0, mostLetters)).replace(/[ßæœøłđðþı]/g, (letter) => plainLetters[letter] ?? letter);
}

/**
 * What is compared of a Patient. Former names, addresses and numbers count too. `replaced` are records that this one
 * replaces: what is known of the person from them, except the birth date and other single values, which are its own.
 */
export function personRecord(patient: Patient, replaced: readonly Patient[] = []): PersonRecord {
  const all = [patient, ...replaced];
  const addresses = all.flatMap((one) => one.address ?? []).slice(0, mostNames);
  const telecom = all.flatMap((one) => one.telecom ?? []).slice(0, mostNames);
  const valuesOf = (systems: readonly string[]) =>
    telecom.flatMap(({ system, value }) => (systems.includes(system ?? "") && value !== undefined ? [value] : []));
  const deceased = patient.deceasedBoolean ?? (patient.deceasedDateTime === undefined ? undefined : true);
  return {
    identifiers: all
      .flatMap((one) => one.identifier ?? [])
      .flatMap(({ system, value, use }) => {
        const text = (value ?? "").replace(/\s+/g, "");
        return text === "" ? [] : [{ system: system ?? "", value: text, old: use === "old" || use === "temp" }];
      }),
    names: all
      .flatMap((one) => one.name ?? [])
      .slice(0, mostNames)
      .flatMap(foldedName),
    ...(patient.birthDate === undefined ? {} : { birthDate: patient.birthDate.slice(0, 10) }),
    ...(patient.gender === undefined ? {} : { gender: patient.gender }),
    phones: present(valuesOf(["phone", "sms"]).map((value) => value.slice(0, mostLetters).replace(/\D/g, ""))),
    emails: present(valuesOf(["email"]).map((value) => value.trim().toLowerCase())),
    postcodes: present(addresses.map(({ postalCode }) => foldName(postalCode ?? "").replace(/\s/g, ""))),
    cities: present(addresses.map(({ city }) => foldName(city ?? ""))),
    lines: present(addresses.map(linesOf)),
    ...(deceased === undefined ? {} : { deceased }),
    active: patient.active !== false,
  };
}

function present(values: readonly string[]): string[] {
  return [...new Set(values.filter((value) => value !== ""))];
}

function linesOf({ line }: Address): string {
  return foldName((line ?? []).join(" "));
}

/** A name of text alone is read as given names before one family name, or after it and a comma. */
function foldedName({ family, given, text }: HumanName): FoldedName[] {
  const stated = { family: foldName(family ?? ""), given: present((given ?? []).slice(0, mostNames).map(foldName)) };
  if (stated.family !== "" || stated.given.length > 0) return [stated];
  const [beforeComma = "", afterComma] = foldName(text ?? "").split(/\s*,\s*/);
  if (afterComma !== undefined) return [{ family: beforeComma, given: present(afterComma.split(" ")) }];
  const words = present(beforeComma.split(" "));
  return words.length < 2 ? [] : [{ family: words.at(-1) ?? "", given: words.slice(0, -1) }];
}

/** The id of the patient that replaces this one (https://hl7.org/fhir/R4/valueset-link-type.html); undefined without. */
export function replacementOf(patient: Patient): string | undefined {
  const reference = patient.link?.find((one) => one.type === "replaced-by")?.other.reference;
  return /^Patient\/([A-Za-z0-9\-.]{1,64})$/.exec(reference ?? "")?.[1];
}

/** One graded match: the stored resource with how sure it is. */
export interface GradedMatch {
  readonly id: string;
  readonly body: string;
  readonly score: number;
  readonly grade: MatchGrade;
}

/** Something to know about the answer as a whole: what was left out, or what a person should look at. */
export interface MatchNote {
  readonly severity: "information" | "warning";
  readonly kind: "informational" | "multiple-matches" | "too-costly" | "not-found";
  readonly text: string;
}

/**
 * The answer to `$match` as JSON text: a searchset, the order kept, stored bodies passed through, notes in an
 * OperationOutcome at the end (https://hl7.org/fhir/R4/patient-operation-match.html). `total` counts the matches.
 */
export function matchBundleText(
  baseUrl: string,
  matches: readonly GradedMatch[],
  notes: readonly MatchNote[],
  total: number,
): string {
  const entries = matches.map(({ id, body, score, grade }) => {
    const fullUrl = JSON.stringify(`${baseUrl}/Patient/${id}`);
    const extension = [{ url: matchGradeUrl, valueCode: grade }];
    // Rounded down, so that a score never reads as that of the grade above.
    const search = JSON.stringify({ extension, mode: "match", score: Math.floor(score * 10_000) / 10_000 });
    return `{"fullUrl":${fullUrl},"resource":${body},"search":${search}}`;
  });
  if (notes.length > 0) entries.push(`{"resource":${outcomeText(notes)},"search":{"mode":"outcome"}}`);
  // An empty array is not allowed in FHIR JSON.
  const list = entries.length === 0 ? "" : `,"entry":[${entries.join(",")}]`;
  return `{"resourceType":"Bundle","type":"searchset","total":${total}${list}}`;
}

function outcomeText(notes: readonly MatchNote[]): string {
  const issue = notes.map(({ severity, kind, text }) => ({
    severity,
    code: kind,
    details: { text },
    diagnostics: text,
  }));
  return JSON.stringify({ resourceType: "OperationOutcome", issue });
}
