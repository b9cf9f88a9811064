import { accepted, type Refusal, type Result, refused } from "../domain/result.ts";
import { patientCompartmentParameters } from "./compartment.ts";
import type { Definitions } from "./definitions.ts";
import type { ParameterRules, ParameterValues } from "./parameters.ts";
import { localTarget } from "./references.ts";
import { rangeOfDate } from "./search/date.ts";
import { isHotPatient } from "./search/extract.ts";
import { referenceTerm } from "./search/reference.ts";
import { uriTerm } from "./search/uri.ts";
import { withoutVersion } from "./terminology/canonical.ts";

/** The parameters of `Patient/[id]/$everything` (https://hl7.org/fhir/R4/patient-operation-everything.html). */
export const everythingRules = {
  start: { type: "dateTime" },
  end: { type: "dateTime" },
  _since: { type: "instant" },
  _type: { type: "code", repeats: true },
  _count: { type: "integer" },
  _offset: { type: "integer" },
} as const satisfies ParameterRules;

/** What `$everything` is asked for. */
export interface EverythingQuery {
  /** Care dates wanted, half-open; an open side is absent. */
  readonly startMs?: number;
  readonly endMs?: number;
  /** Only what changed at this instant or later. */
  readonly sinceMs?: number;
  /** Types wanted, all that are switched on unless some were named. */
  readonly types: readonly string[];
  readonly count: number;
  /** The parameters as an address writes them, for the links. */
  readonly used: readonly (readonly [name: string, value: string])[];
}

/** Makes sense of the parameters of `$everything`; every one that makes none is refused. A page has `maxCount` matches at most, and when nobody says. */
export function everythingQuery(
  definitions: Definitions,
  values: ParameterValues<typeof everythingRules>,
  maxCount: number,
): Result<EverythingQuery> {
  const { start, end, _since, _type, _count, _offset } = values;
  const refusals: Refusal[] = [];
  const bad = (at: string, detail: string) => refusals.push({ kind: "value", detail, at, status: 400 });
  const rangeOf = (name: string, text: string | undefined) => {
    const range = text === undefined ? undefined : rangeOfDate(text);
    if (text !== undefined && range === undefined) bad(name, `"${text.slice(0, 64)}" is in no calendar.`);
    return range;
  };
  const startMs = rangeOf("start", start)?.lowMs;
  // Both days belong to the range: it ends when the day, month or year of `end` does.
  const endMs = rangeOf("end", end)?.highMs;
  const sinceMs = rangeOf("_since", _since)?.lowMs;
  const named = [...new Set(_type.flatMap((one) => one.split(",")).map((type) => type.trim()))].sort();
  const unknown = named.find((type) => !definitions.has(type));
  if (unknown !== undefined) bad("_type", `The resource type "${unknown.slice(0, 64)}" is not switched on here.`);
  if (_count !== undefined && _count < 1) bad("_count", "_count is a whole number of 1 or more.");
  if (_offset !== undefined) bad("_offset", "Pages here have no offset, so that none is missed. Follow the link next.");
  if (refusals.length > 0) return refused(...refusals);
  return accepted({
    ...(startMs === undefined ? {} : { startMs }),
    ...(endMs === undefined ? {} : { endMs }),
    ...(sinceMs === undefined ? {} : { sinceMs }),
    types: named.length === 0 ? definitions.types : named,
    count: Math.min(_count ?? maxCount, maxCount),
    used: Object.entries({ start, end, _since, _type: named.join(",") || undefined, _count }).flatMap(
      ([name, value]): [string, string][] => (value === undefined ? [] : [[name, String(value)]]),
    ),
  });
}

/** How to find the record of one patient. */
export interface PatientRecord {
  readonly patientId: string;
  /** Whether the Patient itself is wanted. */
  readonly withPatient: boolean;
  /** Types whose hot patient column says that they are about the patient. */
  readonly hotTypes: readonly string[];
  /** Terms of every other way to belong to the patient, of all types together. */
  readonly terms: readonly string[];
}

/** Search parameters that say whose a Task is: R4 keeps Task out of the compartment, but one about the patient belongs to the record. */
const taskParameters = ["patient", "subject"];

/**
 * Where a patient's compartment (https://hl7.org/fhir/R4/compartmentdefinition-patient.html) and the Tasks about the
 * patient stand in the index, for these types.
 */
export function patientRecord(definitions: Definitions, patientId: string, types: readonly string[]): PatientRecord {
  const hotTypes = new Set<string>();
  const terms: string[] = [];
  for (const type of types) {
    const codes = type === "Task" ? taskParameters : patientCompartmentParameters(type);
    for (const parameter of codes.flatMap((code) => definitions.parameters(type).get(code) ?? [])) {
      if (isHotPatient(parameter)) hotTypes.add(type);
      else terms.push(...parameter.atoms.map((atom) => referenceTerm(atom.key, `Patient/${patientId}`)));
    }
  }
  return { patientId, withPatient: types.includes("Patient"), hotTypes: [...hotTypes], terms };
}

/** What a page of a record needs beside itself. */
export interface Supporting {
  /** `Type/id`. */
  readonly references: readonly string[];
  /** Terms of the canonical urls of Questionnaires that were answered. */
  readonly terms: readonly string[];
}

/** Where an attachment's content stands as a Binary. */
const attachedBinary = /(?:^|\/)Binary\/[^/]+$/;

/**
 * What these resources point to directly that is in nobody's compartment: devices, practitioners, organizations,
 * locations, Binaries of attachments, Questionnaires. What belongs to some patient comes by the compartment alone, so
 * that a reference to another patient's record never opens it. Only `types`; others and those switched off are left out.
 */
export function supportingOf(
  definitions: Definitions,
  resources: readonly unknown[],
  types: readonly string[],
): Supporting {
  const wanted = new Set(types.filter((type) => definitions.has(type) && isNobodys(type)));
  const references = new Set<string>();
  const canonicals = new Set<string>();
  const take = (text: string) => {
    const target = localTarget(definitions.local(text));
    if (target !== undefined && wanted.has(target.type)) references.add(`${target.type}/${target.id}`);
    return target !== undefined;
  };
  for (const resource of resources) {
    walk(resource, (name, text) => {
      if (name === "reference") take(text);
      else if (name === "url" && attachedBinary.test(text)) take(text);
      else if (name === "questionnaire" && !take(text)) canonicals.add(withoutVersion(text));
    });
  }
  const atoms = wanted.has("Questionnaire") ? (definitions.parameters("Questionnaire").get("url")?.atoms ?? []) : [];
  const terms = atoms.flatMap((atom) => [...canonicals].map((url) => uriTerm(atom.key, url)));
  return { references: [...references], terms };
}

function isNobodys(type: string): boolean {
  return type !== "Patient" && type !== "Task" && patientCompartmentParameters(type).length === 0;
}

/** Calls `seen` with every text member of a JSON tree; trees are as deep as readJson lets in. */
function walk(value: unknown, seen: (name: string, text: string) => void): void {
  if (typeof value !== "object" || value === null) return;
  for (const [name, one] of Object.entries(value)) {
    if (typeof one === "string") seen(name, one);
    else walk(one, seen);
  }
}
