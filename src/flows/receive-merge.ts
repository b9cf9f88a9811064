import type { Encounter, Patient, Resource } from "@medplum/fhirtypes";
import type { SettledIdentifier } from "../domain/identifier-authority.ts";
import { identityVerdict } from "../domain/identity-doubt.ts";
import { decideMerge } from "../domain/merge-rule.ts";
import type { ReceivedPerson } from "../domain/received-person.ts";
import { personRecord } from "../fhir/patient-match.ts";
import { provenanceOf } from "../fhir/provenance.ts";
import { movesWithMerge, repointed, retiredAfter, survivorAfter } from "../fhir/received/merge.ts";
import { patientAfter, toldMsOf, withFormer, withIdentifiers } from "../fhir/received/person.ts";
import { referralTerm } from "../fhir/search/reference.ts";
import type { Segment } from "../intake/hl7v2/message.ts";
import { readIdentifiers, readPerson } from "../intake/hl7v2/person.ts";
import { lockPatients } from "../store/picture.ts";
import { referrersTo } from "../store/references.ts";
import { lockResources, referenceOf } from "../store/resource.ts";
import { commitWrites, type Write } from "./commit-writes.ts";
import { areSaidToDiffer, closeDuplicates } from "./duplicate-tasks.ts";
import { carriersOf, findPerson, lockIdentifiers, lockMerging, settled } from "./find-person.ts";
import type { MessageWork } from "./message-work.ts";
import { onlySegment, receivePerson, store, updatePatient, visitOf } from "./receive-adt.ts";
import { orRollBack, RefusedWrite } from "./write-in-tenant.ts";

/** Resources of one transaction that a merge turns to the record that goes on; more are refused, for somebody to look. */
const mostMoved = 50_000;
const batch = 500;

/** Takes in ADT^A40 (merge) or ADT^A47 (other number): each MRG retires the number it names in favour of the PID before it. */
export async function receiveMerges(work: MessageWork): Promise<void> {
  const asked: Asked[] = [];
  let pid: Segment | undefined;
  for (const segment of work.message.segments) {
    if (segment.name === "PID") pid = segment;
    if (segment.name !== "MRG") continue;
    if (pid === undefined) break;
    asked.push(readMerge(work, pid, segment));
  }
  if (asked.length === 0) {
    const detail = "The message has no MRG behind a PID, so it does not say which number goes out of use.";
    throw new RefusedWrite([{ kind: "required", detail, at: "MRG" }]);
  }
  await lockMerging(work, "alone");
  await lockIdentifiers(
    work,
    asked.flatMap(({ kept, former }) => [...kept, ...former]),
  );
  for (const one of asked) await receiveMerge(work, one);
}

interface Asked {
  readonly pid: Segment;
  readonly person: ReceivedPerson;
  readonly kept: readonly SettledIdentifier[];
  readonly former: readonly SettledIdentifier[];
}

function readMerge(work: MessageWork, pid: Segment, mrg: Segment): Asked {
  const person = orRollBack(readPerson(work.message, pid, work.place));
  const kept = settled(work, person.identifiers);
  const former = settled(work, readIdentifiers(work.message, mrg, 1));
  if (kept.length === 0 || former.length === 0) {
    const detail = "A merge needs the number that stays (PID-3) and the one that goes out of use (MRG-1).";
    throw new RefusedWrite([{ kind: "required", detail, at: kept.length === 0 ? "PID-3" : "MRG-1" }]);
  }
  return { pid, person, kept, former };
}

async function receiveMerge(work: MessageWork, asked: Asked): Promise<void> {
  const { pid, person, kept, former } = asked;
  const told = patientAfter(undefined, person, kept, work.event);
  const survivor = await findPerson(work, told, kept);
  const retired = await retiredOne(work, former, survivor);
  const decision = decideMerge({
    of: work.header.triggerEvent === "A47" ? "number" : "merge",
    ...(survivor?.id === undefined ? {} : { survivorId: survivor.id }),
    survivorTrust: trustOf(kept),
    ...(retired?.id === undefined ? {} : { retiredId: retired.id }),
    retiredTrust: trustOf(former),
    ...(retired === undefined
      ? {}
      : { verdict: identityVerdict(personRecord(survivor ?? told), personRecord(retired)) }),
    saidToDiffer: survivor !== undefined && retired !== undefined && areSaidToDiffer(survivor, retired),
  });
  switch (decision.kind) {
    case "merge":
      await mergeRecords(work, decision, asked);
      if (decision.contradicts) noteContradiction(work, decision);
      return;
    case "doubt":
      throw refuseDoubt(work, decision);
    case "doubtful-number":
      throw refuseNumber(work, decision.patientId);
    case "renumber":
      await renumber(work, decision.patientId, asked);
      return;
    case "note-former": {
      const patientId = survivor?.id ?? (await receivePerson(work, pid));
      await renumber(work, patientId, asked);
    }
  }
}

function trustOf(identifiers: readonly SettledIdentifier[]): "certain" | "claimed" {
  return identifiers.some(({ trust }) => trust === "certain") ? "certain" : "claimed";
}

/** The record of the number that goes out of use; where several carry it nobody can tell which one is meant. */
async function retiredOne(
  work: MessageWork,
  former: readonly SettledIdentifier[],
  survivor: Patient | undefined,
): Promise<Patient | undefined> {
  const carriers = (await carriersOf(work, former)).filter(({ id }) => id !== survivor?.id);
  if (carriers.length <= 1) return carriers[0];
  for (const { id } of carriers) if (id !== undefined) work.found.patientIds.add(id);
  work.found.reason = "identity-doubtful";
  const detail = "Several records carry the number of MRG-1. Settle them first and replay the message.";
  throw new RefusedWrite([{ kind: "multiple-matches", detail, at: "MRG-1" }]);
}

function refuseDoubt(
  work: MessageWork,
  two: { readonly survivorId: string; readonly retiredId: string },
): RefusedWrite {
  work.found.patientIds.add(two.survivorId).add(two.retiredId);
  work.found.pairs.push({ patientIds: [two.survivorId, two.retiredId], why: "contradicting-merge" });
  work.found.reason = "identity-doubtful";
  const detail =
    work.header.triggerEvent === "A47"
      ? "Both numbers have records here, and a change of number (A47) makes no record of two. Send a merge (A40), or correct the number; a Task asks a person to look."
      : "Nothing was merged: a person has said that the two records are of two people (link of type seealso), or they do not agree in names and birth date and not both numbers are of a trusted authority. A Task asks a person to look; replay the message when that is settled.";
  return new RefusedWrite([{ kind: "conflict", detail, at: "MRG-1" }]);
}

function refuseNumber(work: MessageWork, patientId: string): RefusedWrite {
  work.found.patientIds.add(patientId);
  work.found.reason = "identity-doubtful";
  const detail =
    "The record of the number in MRG-1 has another name or birth date than PID tells, or that number's authority is not trusted and they do not all agree: nothing was changed. Correct the number, or the record, and replay the message.";
  return new RefusedWrite([{ kind: "conflict", detail, at: "MRG-1" }]);
}

/** Done, for the sender knows; but a merge of two who contradict is never without somebody who looks at it. */
function noteContradiction(
  { found }: MessageWork,
  two: { readonly survivorId: string; readonly retiredId: string },
): void {
  found.notes.push(
    "The two records contradict; both numbers are of trusted authorities. A Task asks a person to look.",
  );
  found.pairs.push({ patientIds: [two.survivorId, two.retiredId], why: "merged-contradicting" });
}

/** The record takes the numbers that stay, and keeps the others as former ones. */
async function renumber(work: MessageWork, patientId: string, { person, kept, former }: Asked): Promise<void> {
  await updatePatient(work, patientId, { person, identifiers: kept });
  const [current] = await lockResources(work.session, [`Patient/${patientId}`]);
  if (current === undefined) return;
  const before = JSON.parse(current.body) as Patient;
  const gone = former.filter((one) => !kept.some(({ system, value }) => system === one.system && value === one.value));
  // Whatever newer event told of the record before: without the number that stays, nobody would find it any more.
  const identifier = withFormer(withIdentifiers(before.identifier ?? [], kept), gone);
  if (JSON.stringify(identifier) !== JSON.stringify(before.identifier)) await store(work, [{ ...before, identifier }]);
}

/**
 * Makes one record of two: everything that pointed to the retired one points to the other from now on, each in a new version,
 * so that its history shows where it stood. A Provenance names all of it: whoever takes the merge back goes by it.
 */
async function mergeRecords(
  work: MessageWork,
  { survivorId, retiredId }: { readonly survivorId: string; readonly retiredId: string },
  { person, kept, former }: Asked,
): Promise<void> {
  const { service, session, event } = work;
  work.found.patientIds.add(survivorId).add(retiredId);
  await lockPatients(session, [survivorId, retiredId]);
  const [survivor, retired] = await lockedPatients(work, [survivorId, retiredId]);
  const isNewer = (toldMsOf(survivor) ?? Number.NEGATIVE_INFINITY) <= event.ms;
  const current = isNewer
    ? patientAfter(survivor, person, kept, event)
    : { ...survivor, identifier: withIdentifiers(survivor.identifier ?? [], kept) };
  await store(work, [survivorAfter(current, retired, former), retiredAfter(retired, survivorId)]);
  const moved = await moveReferrers(work, retiredId, survivorId);
  const targets = [`Patient/${survivorId}`, `Patient/${retiredId}`, ...moved];
  const provenance = provenanceOf(targets, "patient-merge", new Date(service.now()).toISOString());
  const write: Write = { type: "Provenance", id: service.newId(), resource: provenance };
  await commitWrites(service, session, [write], new Map(), { ownWork: true });
  await closeDuplicates(service, session, retiredId);
  work.found.notes.push(
    `Patient/${retiredId} was merged into Patient/${survivorId}; ${moved.length} resources were moved.`,
  );
}

async function lockedPatients(work: MessageWork, ids: readonly [string, string]): Promise<[Patient, Patient]> {
  const locked = await lockResources(
    work.session,
    ids.map((id) => `Patient/${id}`),
  );
  const [one, other] = ids.map((id) => locked.find((stored) => stored.id === id && !stored.deleted));
  if (one === undefined || other === undefined) throw new Error("a patient vanished while it was locked");
  return [JSON.parse(one.body) as Patient, JSON.parse(other.body) as Patient];
}

async function moveReferrers(work: MessageWork, retiredId: string, survivorId: string): Promise<string[]> {
  const { service, session } = work;
  const patients = [`Patient/${retiredId}`, `Patient/${survivorId}`];
  const referrers = await referrersTo(session, [referralTerm(`Patient/${retiredId}`)], patients, mostMoved + 1);
  if (referrers.length > mostMoved) {
    const detail = `More than ${mostMoved} resources point to the record that is to be retired. Merge it by hand (docs/hl7v2.md).`;
    throw new RefusedWrite([{ kind: "too-costly", detail, at: "MRG-1" }]);
  }
  const moved: string[] = [];
  const done: Write[] = [];
  for (let from = 0; from < referrers.length; from += batch) {
    const locked = await lockResources(session, referrers.slice(from, from + batch));
    const writes = locked.flatMap((stored): Write[] => {
      const before = JSON.parse(stored.body) as Resource;
      if (!movesWithMerge(before)) return [];
      const resource = repointed(before, retiredId, survivorId, (reference) => service.definitions.local(reference));
      return [{ type: stored.type, id: stored.id, resource, exact: resource }];
    });
    const isLast = from + batch >= referrers.length;
    // Plans are judged when all of them stand with one person, in whatever order they came.
    await commitWrites(service, session, writes, new Map(locked.map((one) => [referenceOf(one), one])), {
      before: done,
      moreToCome: !isLast,
      ofMerge: true,
    });
    done.push(...writes);
    moved.push(...writes.map(referenceOf));
  }
  return moved;
}

/** Takes in ADT^A45: the visits that MRG-5 names belong to the person of PID. */
export async function receiveMovedVisits(work: MessageWork): Promise<void> {
  const pid = onlySegment(work.message, "PID");
  const person = orRollBack(readPerson(work.message, pid, work.place));
  const kept = settled(work, person.identifiers);
  await lockMerging(work, "alone");
  await lockIdentifiers(work, kept);
  const owner = await findPerson(work, patientAfter(undefined, person, kept, work.event), kept);
  if (owner?.id === undefined) {
    const detail = "Nobody here carries the numbers of PID-3. Send the person first (ADT^A28), then the visit.";
    throw new RefusedWrite([{ kind: "not-found", detail, at: "PID-3" }]);
  }
  work.found.patientIds.add(owner.id);
  const merges = work.message.segments.filter(({ name }) => name === "MRG");
  for (const mrg of merges) {
    const [visitNumber] = settled(work, readIdentifiers(work.message, mrg, 5));
    const visit = visitNumber === undefined ? undefined : await visitOf(work, visitNumber);
    if (visit === undefined) {
      work.found.notes.push("A visit of MRG-5 is not kept here; nothing was moved.");
      continue;
    }
    const before = /^Patient\/(.+)$/.exec(visit.subject?.reference ?? "")?.[1];
    if (before !== undefined) work.found.patientIds.add(before);
    if (before !== owner.id) await checkOwner(work, mrg, before);
    const next: Encounter = { ...visit, subject: { reference: `Patient/${owner.id}` } };
    await store(work, [next]);
  }
}

/** A visit is moved from the person whom MRG-1 names and from nobody else: an older move that comes late finds it with a third. */
async function checkOwner(work: MessageWork, mrg: Segment, ownerId: string | undefined): Promise<void> {
  const former = settled(work, readIdentifiers(work.message, mrg, 1));
  if (former.length === 0 || (await carriersOf(work, former)).some(({ id }) => id === ownerId)) return;
  work.found.reason = "identity-doubtful";
  const detail =
    "The visit of MRG-5 is not here with the person of MRG-1, so it was not moved. Look whose it is, and replay the message.";
  throw new RefusedWrite([{ kind: "conflict", detail, at: "MRG-1" }]);
}
