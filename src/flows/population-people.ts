import type { Task } from "@medplum/fhirtypes";
import { handOf } from "../domain/finding-task.ts";
import { addDays, daysBetween, startOfDayMs } from "../domain/local-day.ts";
import { firstDayOfCoverage } from "../domain/picture-window.ts";
import type { Period } from "../domain/population/figures.ts";
import type { FirstAction, PersonFacts } from "../domain/population/person-period.ts";
import type { EpochMs } from "../domain/time.ts";
import { taskFact } from "../fhir/task.ts";
import type { TenantSession } from "../store/database.ts";
import { type PictureFacts, readManyPictureFacts } from "../store/picture.ts";
import {
  type ListedPerson,
  listPeople,
  readFirstUses,
  readTaskVersions,
  type TaskVersion,
} from "../store/population.ts";
import { readManyThresholdSettings } from "../store/threshold-setting.ts";
import { pictureOf, thresholdsThatMayApply, windowOf, withEarlierUses } from "./picture.ts";
import type { Service } from "./service.ts";

/** Days of facts that one batch may hold, all people together: what bounds the memory, whatever the period. */
const mostPersonDays = 12_000;
const mostPeople = 250;

/**
 * Everybody whose record is in use, in batches by id, with what the figures of a period need of them: a handful of
 * statements a batch, whatever its size. While one batch is worked on, the database reads the next.
 */
export async function* peopleInBatches(
  service: Service,
  session: TenantSession,
  period: Period,
  nowMs: EpochMs,
): AsyncGenerator<readonly PersonFacts[]> {
  const count = peopleAtOnce(service, period);
  const read = async (afterId: string | undefined) => {
    const listed = await listPeople(session, count, afterId);
    const people = listed.length === 0 ? [] : await readPeople(service, session, listed, period, nowMs);
    return { people, lastId: listed.at(-1)?.patientId };
  };
  let batch = await read(undefined);
  while (batch.lastId !== undefined) {
    const next = read(batch.lastId);
    // Who works on the batch may throw first; then nobody waits for this any more.
    next.catch(() => undefined);
    yield batch.people;
    batch = await next;
  }
}

function peopleAtOnce({ thresholds }: Service, { firstDay, endDay }: Period): number {
  const days = Math.max(daysBetween(firstDay, endDay), daysBetween(firstDayOfCoverage(endDay, thresholds), endDay));
  return Math.max(1, Math.min(mostPeople, Math.floor(mostPersonDays / days)));
}

async function readPeople(
  service: Service,
  session: TenantSession,
  listed: readonly ListedPerson[],
  period: Period,
  nowMs: EpochMs,
): Promise<readonly PersonFacts[]> {
  const { firstDay, endDay } = period;
  const patientIds = listed.map(({ patientId }) => patientId);
  const settings = await readManyThresholdSettings(session, patientIds);
  // A change signal looks back for years, and no figure asks for it.
  const mayApply = thresholdsThatMayApply(service.thresholds, settings).map((thresholds) => ({
    ...thresholds,
    changeSignal: { ...thresholds.changeSignal, on: false },
  }));
  const lastMs = Math.min(nowMs, startOfDayMs(endDay, "UTC") - 1);
  const window = windowOf(lastMs, mayApply, firstDay);
  const asked = listed.map(({ patientId, zone }) => ({ patientId, untilMs: startOfDayMs(endDay, zone) }));
  const facts = await readManyPictureFacts(session, asked, window);
  const pictures = facts.map((one) => pictureOf(one, service.thresholds, settings, nowMs));
  const withParts = await withEarlierUses(session, pictures, window);
  const firstUses = await readFirstUses(
    session,
    pictures.map(({ patientId, thresholds: { minimumCycles } }) => ({ patientId, minimumCycles })),
    firstDay,
    endDay,
  );
  const changedFromMs = startOfDayMs(addDays(firstDay, -2), "UTC");
  const actions = firstActions(await readTaskVersions(session, patientIds, changedFromMs));
  return withParts.map((picture, index) => ({
    picture,
    interfaces: interfacesOf(facts[index]),
    firstUses: firstUses.get(picture.patientId) ?? [],
    firstActions: actions.get(picture.patientId) ?? [],
  }));
}

function interfacesOf(facts: PictureFacts | undefined): Record<string, string> {
  const named = (facts?.profiles ?? []).flatMap(({ profileId, interface: code }) =>
    code === undefined ? [] : [[profileId, code] as const],
  );
  return Object.fromEntries(named);
}

/** Of each Task the first version that a person's deed left, by patient. */
function firstActions(versions: readonly TaskVersion[]): ReadonlyMap<string, FirstAction[]> {
  const found = new Map<string, FirstAction[]>();
  for (const ofTask of Map.groupBy(versions, (version) => version.taskId).values()) {
    const acted = ofTask.find(({ body }) => isActedOn(JSON.parse(body) as Task));
    if (acted === undefined) continue;
    const { authoredOn } = JSON.parse(acted.body) as Task;
    const raisedMs = Date.parse(authoredOn ?? "");
    if (Number.isNaN(raisedMs)) continue;
    const ofPatient = found.get(acted.patientId) ?? [];
    found.set(acted.patientId, [...ofPatient, { raisedMs, actedMs: acted.updatedMs }]);
  }
  return found;
}

/** Whether a person has taken it in hand or closed it; one entered in error says nothing about its finding. */
function isActedOn(task: Task): boolean {
  const [fact] = taskFact(task);
  if (fact?.kind !== "task" || fact.task.status === "entered-in-error") return false;
  const hand = handOf(fact.task.status);
  return hand === "person" || (hand === "closed" && fact.task.closedBy === "person");
}
