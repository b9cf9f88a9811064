import type { Encounter, Patient, Resource } from "@medplum/fhirtypes";
import type { SettledIdentifier } from "../domain/identifier-authority.ts";
import type { ReceivedPerson } from "../domain/received-person.ts";
import { patientAfter, patientAfterOlder, toldMsOf } from "../fhir/received/person.ts";
import { encounterAfter, isInpatient, type VisitEvent } from "../fhir/received/visit.ts";
import { checkResource } from "../fhir/resource-check.ts";
import { tokenTerm } from "../fhir/search/token.ts";
import { type ReadMessage, type Segment, segmentsOf } from "../intake/hl7v2/message.ts";
import { readPerson } from "../intake/hl7v2/person.ts";
import { readVisit } from "../intake/hl7v2/visit.ts";
import { resourcesWithTerms } from "../store/message.ts";
import { lockResources, referenceOf } from "../store/resource.ts";
import { commitWrites, type Write } from "./commit-writes.ts";
import { findPerson, lockIdentifiers, lockMerging, noteAlike, settled } from "./find-person.ts";
import type { MessageWork } from "./message-work.ts";
import { orRollBack, RefusedWrite } from "./write-in-tenant.ts";

/** What each trigger event says of a stay; undefined for those that are about the person alone. */
export const visitEvents: Readonly<Record<string, VisitEvent | undefined>> = {
  A01: "admit",
  A02: "update",
  A03: "discharge",
  A04: "admit",
  A05: undefined,
  A08: "update",
  A11: "cancel-admit",
  A13: "cancel-discharge",
  A28: undefined,
  A31: undefined,
};

/** Takes in an ADT message about one person: who they are, whether they live, and whether they are in hospital. */
export async function receiveAdt(work: MessageWork): Promise<void> {
  const pid = onlySegment(work.message, "PID");
  await lockMerging(work, "beside others");
  const patientId = await receivePerson(work, pid);
  const kind = visitEvents[work.header.triggerEvent];
  const [pv1] = segmentsOf(work.message, "PV1");
  if (kind !== undefined && pv1 !== undefined) await receiveVisit(work, pv1, kind, patientId);
}

/** The one segment of a name; a message without it is refused. */
export function onlySegment(message: ReadMessage, name: string): Segment {
  const [segment] = segmentsOf(message, name);
  if (segment !== undefined) return segment;
  throw new RefusedWrite([{ kind: "required", detail: `The message has no segment ${name}.`, at: name }]);
}

/** Stores what PID tells of a person, as a new record where nobody here carries its numbers; answers the Patient's id. */
export async function receivePerson(work: MessageWork, pid: Segment): Promise<string> {
  const person = orRollBack(readPerson(work.message, pid, work.place));
  const identifiers = settled(work, person.identifiers);
  if (identifiers.length === 0) {
    throw new RefusedWrite([{ kind: "required", detail: "PID-3 must hold a number of the person.", at: "PID-3" }]);
  }
  await lockIdentifiers(work, identifiers);
  const told = patientAfter(undefined, person, identifiers, work.event);
  const known = await findPerson(work, told, identifiers);
  return known?.id === undefined ? createPatient(work, told) : updatePatient(work, known.id, { person, identifiers });
}

async function createPatient(work: MessageWork, told: Patient): Promise<string> {
  const id = work.service.newId();
  await noteAlike(work, told, id);
  await store(work, [{ ...told, id }]);
  work.found.patientIds.add(id);
  return id;
}

/** The next version of a record that is here already, unless something newer was told of it before. */
export async function updatePatient(
  work: MessageWork,
  id: string,
  told: { readonly person: ReceivedPerson; readonly identifiers: readonly SettledIdentifier[] },
): Promise<string> {
  work.found.patientIds.add(id);
  const [current] = await lockResources(work.session, [`Patient/${id}`]);
  if (current === undefined || current.deleted) throw new Error("a patient vanished while it was locked");
  const before = JSON.parse(current.body) as Patient;
  if ((toldMsOf(before) ?? Number.NEGATIVE_INFINITY) > work.event.ms) {
    const after = patientAfterOlder(before, told.person);
    // Nobody may be asked for therapy, or their family be rung, because the message of a death was slower than another.
    if (after !== undefined) await store(work, [after]);
    const what = after === undefined ? "it stays as it is" : "nothing but the death was taken from this one";
    work.found.notes.push(`Patient/${id} was told of by a newer event before: ${what}.`);
    return id;
  }
  await store(work, [patientAfter(before, told.person, told.identifiers, work.event)]);
  return id;
}

/** Stores what PV1 tells of a stay in hospital; other visits take no day from the therapy and are not kept. */
export async function receiveVisit(
  work: MessageWork,
  pv1: Segment,
  kind: VisitEvent,
  patientId: string,
): Promise<void> {
  const visit = orRollBack(readVisit(work.message, pv1, work.place));
  const [visitNumber] = visit.visitNumber === undefined ? [] : settled(work, [visit.visitNumber]);
  const before = visitNumber === undefined ? undefined : await visitOf(work, visitNumber);
  if (before === undefined && !isInpatient(visit)) return;
  if (visitNumber === undefined) {
    if (kind === "update") return;
    const detail = "PV1-19 must hold the number of the visit: its other events are told by it.";
    throw new RefusedWrite([{ kind: "required", detail, at: "PV1-19" }]);
  }
  if (before !== undefined && before.subject?.reference !== `Patient/${patientId}`) {
    work.found.reason = "identity-doubtful";
    const detail = "This visit is another person's here. Correct its number, or move it with ADT^A45.";
    throw new RefusedWrite([{ kind: "conflict", detail, at: "PV1-19" }]);
  }
  const told = { visit, visitNumber, patientId, kind, event: work.event };
  const next = before === undefined ? encounterAfter(undefined, told) : visitAfter(work, before, told);
  if (next === undefined) return;
  await store(work, [{ ...next, id: before?.id ?? work.service.newId() }]);
}

/** An older event than was told before changes nothing but a beginning that nobody has told yet. */
function visitAfter(
  work: MessageWork,
  before: Encounter,
  told: Parameters<typeof encounterAfter>[1],
): Encounter | undefined {
  if ((toldMsOf(before) ?? Number.NEGATIVE_INFINITY) <= work.event.ms) return encounterAfter(before, told);
  const start = told.visit.admittedAt ?? (told.kind === "admit" ? told.event.text : undefined);
  if (before.period?.start === undefined && typeof start === "string") {
    return { ...before, period: { ...before.period, start } };
  }
  work.found.notes.push(`Encounter/${before.id} was told of by a newer event before: it stays as it is.`);
  return undefined;
}

/** The stay that carries this number, locked. */
export async function visitOf(work: MessageWork, visitNumber: SettledIdentifier): Promise<Encounter | undefined> {
  await lockIdentifiers(work, [visitNumber]);
  const { service, session } = work;
  const keys = (service.definitions.parameters("Encounter").get("identifier")?.atoms ?? []).map(({ key }) => key);
  const terms = keys.map((key) => tokenTerm(key, visitNumber.system, visitNumber.value));
  const [found] = await resourcesWithTerms(session, "Encounter", terms, 1);
  return found && (JSON.parse(found.body) as Encounter);
}

/** Stores these as next versions, checked as any other write; an id of their own must be set. */
export async function store(work: MessageWork, resources: readonly Resource[]): Promise<void> {
  const { service, session } = work;
  const refusals = resources.flatMap((resource) => checkResource(service.definitions, resource, resource.resourceType));
  if (refusals.length > 0) throw new RefusedWrite(refusals);
  const writes = resources.map((resource): Write => ({ type: resource.resourceType, id: resource.id ?? "", resource }));
  const current = await lockResources(session, writes.map(referenceOf));
  await commitWrites(service, session, writes, new Map(current.map((one) => [referenceOf(one), one])));
}
