import type { Patient } from "@medplum/fhirtypes";
import { type SettledIdentifier, settleIdentifier } from "../domain/identifier-authority.ts";
import { identityVerdict, isStrongDoubt, mayBeOne } from "../domain/identity-doubt.ts";
import { matchPersons } from "../domain/patient-match.ts";
import type { ReceivedIdentifier } from "../domain/received-person.ts";
import type { Refusal } from "../domain/result.ts";
import { matchKeys } from "../fhir/match-keys.ts";
import { personRecord, replacementOf } from "../fhir/patient-match.ts";
import { tokenTerm } from "../fhir/search/token.ts";
import { canonicalBase } from "../fhir/terminology/canonical.ts";
import { lockText, lockTextShared, lockTexts, mergingLock } from "../store/lock.ts";
import { resourcesWithTerms } from "../store/message.ts";
import { matchCandidates } from "../store/patient-match.ts";
import { readMany } from "../store/resource.ts";
import type { MessageWork } from "./message-work.ts";
import { RefusedWrite } from "./write-in-tenant.ts";

/** The base of identifier systems whose authority nobody configured. */
const unknownAuthorityBase = `${canonicalBase}/sid/hl7v2-authority`;

const mostRecords = 50;
/** Records that replace one another in a row; longer chains, and circles, are given up. */
const longestChain = 8;
const mostCandidates = 50;
const mostPairs = 3;

/** Identifiers under their systems; a number that fails its check digit refuses the message. */
export function settled(work: MessageWork, identifiers: readonly ReceivedIdentifier[]): SettledIdentifier[] {
  const { sendingFacility, sendingApplication } = work.header;
  const unknown = { base: unknownAuthorityBase, sender: sendingFacility || sendingApplication || "unnamed" };
  const results = identifiers.map((one) => settleIdentifier(one, work.settings.authorities, unknown));
  const refusals = results.flatMap((one) => (one.ok ? [] : one.refusals));
  if (refusals.length > 0) throw new RefusedWrite(refusals);
  return results.flatMap((one) => (one.ok ? [one.value] : []));
}

/** Messages about the same numbers wait for each other, so that each sees what the other stored, and one person stays one record. */
export async function lockIdentifiers(work: MessageWork, identifiers: readonly SettledIdentifier[]): Promise<void> {
  const names = new Set(identifiers.map(({ system, value }) => `identifier ${system}|${value}`));
  await lockTexts(work.session, [...names].sort());
}

/**
 * Taken before all other locks of a message about people. A merge touches records in no order that anybody can tell beforehand
 * (who links to whom, what points where), so it is alone. Before it was, merges and changes of the same few people, sent on fifty
 * connections at once, waited for each other in a circle one to three times in a hundred messages, each a second; now none did.
 */
export async function lockMerging(work: MessageWork, how: "alone" | "beside others"): Promise<void> {
  await (how === "alone" ? lockText : lockTextShared)(work.session, mergingLock);
}

/** Patients in force that carry any of these numbers, former ones included; a retired record leads to the one that goes on. */
export async function carriersOf(work: MessageWork, identifiers: readonly SettledIdentifier[]): Promise<Patient[]> {
  const { service, session } = work;
  const keys = (service.definitions.parameters("Patient").get("identifier")?.atoms ?? []).map(({ key }) => key);
  const terms = identifiers.flatMap(({ system, value }) => keys.map((key) => tokenTerm(key, system, value)));
  const found = await resourcesWithTerms(session, "Patient", [...new Set(terms)], mostRecords);
  const inForce = new Map<string, Patient>();
  for (const { body } of found) {
    const patient = await goingOn(work, JSON.parse(body) as Patient);
    if (patient?.id !== undefined) inForce.set(patient.id, patient);
  }
  return [...inForce.values()];
}

async function goingOn({ session }: MessageWork, from: Patient): Promise<Patient | undefined> {
  let patient: Patient | undefined = from;
  for (let step = 0; step < longestChain; step += 1) {
    const next: string | undefined = patient && replacementOf(patient);
    if (next === undefined) return patient;
    const [stored] = await readMany(session, [`Patient/${next}`]);
    patient = stored && (JSON.parse(stored.body) as Patient);
  }
  return undefined;
}

/**
 * Whose record the numbers name; undefined where nobody's here is. A number that names one person for good is enough unless
 * much contradicts; one that is only claimed needs names and birth date behind it. In doubt the message is refused and
 * waits for a person: the wrong record is worse than none (docs/decisions/0010-messages-and-merges.md).
 */
export async function findPerson(
  work: MessageWork,
  told: Patient,
  identifiers: readonly SettledIdentifier[],
): Promise<Patient | undefined> {
  const certain = identifiers.filter(({ trust }) => trust === "certain");
  const named = await carriersOf(work, certain);
  const record = personRecord(told);
  if (named.length > 1) throw sharedNumber(work, named);
  const [one] = named;
  if (one !== undefined) {
    const verdict = identityVerdict(personRecord(one), record);
    // Another national number beside an equal hospital number: a slip in one of the two, and nobody knows in which.
    if (isStrongDoubt(verdict) || (hasOtherNumber(one, certain) && !verdict.agrees)) throw doubtful(work, [one]);
    return one;
  }
  const claimants = await carriersOf(
    work,
    identifiers.filter(({ trust }) => trust === "claimed"),
  );
  if (claimants.length === 0) return undefined;
  const agreeing = claimants.filter(
    (patient) => identityVerdict(personRecord(patient), record).agrees && !hasOtherNumber(patient, certain),
  );
  if (agreeing.length === 1) return agreeing[0];
  if (agreeing.length > 1) throw sharedNumber(work, agreeing);
  throw doubtful(work, claimants);
}

/** Whether the record has numbers of a trusted authority, and none of them is the one that the message gives. */
function hasOtherNumber(patient: Patient, certain: readonly SettledIdentifier[]): boolean {
  const numbers = patient.identifier ?? [];
  return certain.some(({ system, value }) => {
    const known = numbers.filter((one) => one.system === system);
    const current = known.filter(({ use }) => use !== "old" && use !== "temp");
    return current.length > 0 && !known.some((one) => one.value === value);
  });
}

function sharedNumber(work: MessageWork, patients: readonly Patient[]): RefusedWrite {
  const [one, other] = patients.map(({ id }) => id ?? "");
  if (one !== undefined && other !== undefined)
    work.found.pairs.push({ patientIds: [one, other], why: "shared-number" });
  work.found.reason = "identity-doubtful";
  return refusal(work, patients, {
    kind: "multiple-matches",
    detail: `The numbers of PID-3 stand in ${patients.length} records. A Task asks a person to look at them; replay the message when that is settled.`,
    at: "PID-3",
  });
}

function doubtful(work: MessageWork, patients: readonly Patient[]): RefusedWrite {
  work.found.reason = "identity-doubtful";
  return refusal(work, patients, {
    kind: "conflict",
    detail:
      "A record carries this number under another name or birth date, or the number's authority is not trusted and they do not all agree. Correct the number, or the record, and replay the message.",
    at: "PID-3",
  });
}

function refusal(work: MessageWork, patients: readonly Patient[], one: Refusal): RefusedWrite {
  for (const { id } of patients) if (id !== undefined) work.found.patientIds.add(id);
  return new RefusedWrite([one]);
}

/** Notes records that may be of the person for whom a new one is being made, so that somebody looks. */
export async function noteAlike(work: MessageWork, told: Patient, newId: string): Promise<void> {
  const { service, session, settings } = work;
  const keys = matchKeys(service.definitions, told);
  if (!keys.ok) return;
  const trusted = new Set(settings.authorities.flatMap(({ system, trust }) => (trust === "certain" ? [system] : [])));
  const { candidates } = await matchCandidates(session, keys.value, mostCandidates);
  const record = personRecord(told);
  const alike = candidates
    .map(({ id, body }) => ({ id, patient: JSON.parse(body) as Patient }))
    .filter(({ patient }) => replacementOf(patient) === undefined)
    .map(({ id, patient }) => ({ id, answer: matchPersons(record, personRecord(patient), (one) => trusted.has(one)) }))
    .filter(({ answer }) => mayBeOne(answer, settings.duplicateScore))
    .sort((a, b) => b.answer.score - a.answer.score || (a.id < b.id ? -1 : 1));
  for (const { id } of alike.slice(0, mostPairs)) work.found.pairs.push({ patientIds: [newId, id], why: "alike" });
}
