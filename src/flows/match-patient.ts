import type { Patient } from "@medplum/fhirtypes";
import { matchPersons, type TrustedSystem } from "../domain/patient-match.ts";
import { accepted, type Result } from "../domain/result.ts";
import { matchKeys } from "../fhir/match-keys.ts";
import type { MatchRequest } from "../fhir/match-request.ts";
import { type GradedMatch, type MatchNote, personRecord, replacementOf } from "../fhir/patient-match.ts";
import { readInTenant, type TenantSession } from "../store/database.ts";
import { matchCandidates } from "../store/patient-match.ts";
import { readMany } from "../store/resource.ts";
import type { Service } from "./service.ts";

/** Matches, most certain first, and what to know about them; `total` counts those left out by `count` as well. */
export interface MatchAnswer {
  readonly matches: readonly GradedMatch[];
  readonly total: number;
  readonly notes: readonly MatchNote[];
}

const mostCandidates = 200;
const defaultCount = 20;
const mostCount = 100;
/** Records that replace one another in a row; longer chains, and circles, are given up. */
const longestChain = 8;

/**
 * Grades the patients that may be the one described (https://hl7.org/fhir/R4/patient-operation-match.html). `isTrusted`
 * says which identifier systems name one person for good; without it all do.
 */
export async function matchPatient(
  service: Service,
  tenantId: number,
  request: MatchRequest,
  isTrusted?: TrustedSystem,
): Promise<Result<MatchAnswer>> {
  const keys = matchKeys(service.definitions, request.patient);
  if (!keys.ok) return keys;
  return readInTenant(service.database, tenantId, async (session) => {
    const { candidates, more } = await matchCandidates(session, keys.value, mostCandidates);
    const { persons, lost } = await inForce(session, candidates);
    const asked = personRecord(request.patient);
    const graded = persons.map(({ id, body, patient, replaced }) => {
      const { score, grade } = matchPersons(asked, personRecord(patient, replaced), isTrusted);
      return { id, body, score, grade };
    });
    const found = graded
      .filter(({ grade }) => grade !== "certainly-not")
      .sort((a, b) => b.score - a.score || (a.id < b.id ? -1 : 1));
    const notes = [...foundNotes(found), ...boundNotes(more, lost, graded.length - found.length)];
    return accepted(request.onlyCertainMatches ? onlyCertain(found, notes) : firstOf(found, notes, request.count));
  });
}

interface Person {
  readonly id: string;
  readonly body: string;
  readonly patient: Patient;
  /** Records that this one replaced and that were found. */
  readonly replaced: Patient[];
}

/** Puts the record in force in the place of each that was replaced; `lost` counts those whose record in force is not here. */
async function inForce(
  session: TenantSession,
  candidates: readonly { readonly id: string; readonly body: string }[],
): Promise<{ persons: Person[]; lost: number }> {
  const known = new Map(candidates.map(({ id, body }) => [id, personOf(id, body)]));
  let unread = candidates.map(({ id }) => id);
  for (let step = 0; step < longestChain && unread.length > 0; step += 1) {
    const next = unread.flatMap((id) => replacementIn(known, id) ?? []).filter((id) => !known.has(id));
    const read = await readMany(
      session,
      [...new Set(next)].map((id) => `Patient/${id}`),
    );
    for (const { id, body } of read) known.set(id, personOf(id, body));
    unread = read.map(({ id }) => id);
  }
  const persons = new Map<string, Person>();
  let lost = 0;
  for (const { id } of candidates) {
    const inUse = lastOf(known, id);
    if (inUse === undefined) {
      lost += 1;
      continue;
    }
    if (inUse.id !== id) inUse.replaced.push((known.get(id) as Person).patient);
    persons.set(inUse.id, inUse);
  }
  return { persons: [...persons.values()], lost };
}

function personOf(id: string, body: string): Person {
  return { id, body, patient: JSON.parse(body) as Patient, replaced: [] };
}

function replacementIn(known: ReadonlyMap<string, Person>, id: string): string | undefined {
  const person = known.get(id);
  return person && replacementOf(person.patient);
}

function lastOf(known: ReadonlyMap<string, Person>, id: string): Person | undefined {
  let at = id;
  for (let step = 0; step <= longestChain; step += 1) {
    const next = replacementIn(known, at);
    if (next === undefined) return known.get(at);
    at = next;
  }
  return undefined;
}

function onlyCertain(found: readonly GradedMatch[], notes: readonly MatchNote[]): MatchAnswer {
  const certain = found.filter(({ grade }) => grade === "certain");
  if (certain.length === 1) return { matches: certain, total: 1, notes };
  if (certain.length > 1) return { matches: [], total: 0, notes };
  const text = `No record is a certain match. ${found.length} less certain ones are answered without onlyCertainMatches.`;
  const none: MatchNote = { severity: "information", kind: "informational", text };
  return { matches: [], total: 0, notes: found.length === 0 ? notes : [none, ...notes] };
}

function firstOf(found: readonly GradedMatch[], notes: readonly MatchNote[], count = defaultCount): MatchAnswer {
  const matches = found.slice(0, Math.min(count, mostCount));
  const left = found.length - matches.length;
  const text = `${left} more possible matches are left out. At most ${mostCount} are answered when count asks for them.`;
  const cut: MatchNote = { severity: "warning", kind: "informational", text };
  return { matches, total: found.length, notes: left === 0 ? notes : [cut, ...notes] };
}

function foundNotes(found: readonly GradedMatch[]): MatchNote[] {
  const certain = found.filter(({ grade }) => grade === "certain").length;
  if (certain < 2) return [];
  const text = `${certain} records are certain matches: perhaps one person was recorded more than once. Let a person choose; with onlyCertainMatches none of them is answered.`;
  return [{ severity: "warning", kind: "multiple-matches", text }];
}

function boundNotes(more: boolean, lost: number, eliminated: number): MatchNote[] {
  const notes: MatchNote[] = [];
  if (more) {
    const text = `More than ${mostCandidates} records came into question and only ${mostCandidates} were compared, those with an equal identifier first. Send more of what is known.`;
    notes.push({ severity: "warning", kind: "too-costly", text });
  }
  if (lost > 0) {
    const text = `${lost} records that came into question were replaced by one that is not here, and are left out.`;
    notes.push({ severity: "warning", kind: "not-found", text });
  }
  if (eliminated > 0) {
    const text = `${eliminated} records came into question and were eliminated: too much in them contradicts.`;
    notes.push({ severity: "information", kind: "informational", text });
  }
  return notes;
}
