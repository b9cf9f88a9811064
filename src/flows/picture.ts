import { plansWithProfiles } from "../domain/facts.ts";
import { addDays, localDayOf, startOfDayMs } from "../domain/local-day.ts";
import type { FittedPart } from "../domain/part.ts";
import type { Picture } from "../domain/picture.ts";
import { firstDayOfCoverage, firstDayOfPicture } from "../domain/picture-window.ts";
import { planInForce } from "../domain/plan-in-force.ts";
import type { Refusal } from "../domain/result.ts";
import { effectiveThresholds, type ThresholdSetting } from "../domain/threshold-setting.ts";
import type { Thresholds } from "../domain/thresholds.ts";
import type { LocalDay } from "../domain/time.ts";
import type { TenantSession } from "../store/database.ts";
import { type PartAskedOf, readManyEarlierUses } from "../store/part-use.ts";
import { type PictureFacts, type PictureWindow, readManyPictureFacts } from "../store/picture.ts";
import { readManyThresholdSettings } from "../store/threshold-setting.ts";
import type { Service } from "./service.ts";

/** Interface codes that mean the patient breathes through a tracheostomy. */
const tracheostomyInterfaces = new Set(["tracheostomy-adapter", "endotracheal-adapter"]);

/** A patient as one review sees them. */
export interface ReadPicture {
  readonly picture: Picture;
  /** Whether the record is in use: neither merged into another nor set inactive. */
  readonly active: boolean;
}

/**
 * Reads the picture of one patient at a moment; undefined when there is no such patient. It reaches back as far as any rule
 * looks, and to `firstDay` where that is earlier.
 */
export async function readPicture(
  service: Service,
  session: TenantSession,
  patientId: string,
  nowMs: number,
  firstDay?: LocalDay,
): Promise<ReadPicture | undefined> {
  return (await readPictures(service, session, [patientId], nowMs, firstDay))[0];
}

/** The same for several patients, in two statements that are asked at once; those that are not here are left out. */
export async function readPictures(
  service: Service,
  session: TenantSession,
  patientIds: readonly string[],
  nowMs: number,
  firstDay?: LocalDay,
): Promise<ReadPicture[]> {
  const asked = patientIds.map((patientId) => ({ patientId }));
  const usual = windowOf(nowMs, [service.thresholds], firstDay);
  const [settings, found] = await Promise.all([
    readManyThresholdSettings(session, patientIds),
    readManyPictureFacts(session, asked, usual),
  ]);
  const window = windowOf(nowMs, thresholdsThatMayApply(service.thresholds, settings), firstDay);
  // Few settings change how far the rules look back.
  const facts = isSameWindow(window, usual) ? found : await readManyPictureFacts(session, asked, window);
  const pictures = await withEarlierUses(
    session,
    facts.map((one) => pictureOf(one, service.thresholds, settings, nowMs)),
    window,
  );
  return pictures.map((picture, i) => ({ picture, active: facts[i]?.patient.active === true }));
}

function isSameWindow(one: PictureWindow, other: PictureWindow): boolean {
  return one.sessionsFromMs === other.sessionsFromMs && one.coverageFromMs === other.coverageFromMs;
}

/** Parts with a use limit, with what they were used for before the window; where none has one, nothing is read. */
export async function withEarlierUse(
  session: TenantSession,
  picture: Picture,
  window: PictureWindow,
): Promise<readonly FittedPart[]> {
  return (await withEarlierUses(session, [picture], window))[0]?.parts ?? [];
}

/** The same pictures with the earlier use of their parts, in one statement for all of them. */
export async function withEarlierUses(
  session: TenantSession,
  pictures: readonly Picture[],
  { sessionsFromMs }: PictureWindow,
): Promise<Picture[]> {
  const used = await readManyEarlierUses(session, pictures.flatMap(partsToAsk), sessionsFromMs);
  return pictures.map((picture) => {
    const ofPatient = used.get(picture.patientId);
    if (ofPatient === undefined) return picture;
    const parts = picture.parts.map((part) => {
      const earlierUse = ofPatient.get(part.partId);
      return earlierUse === undefined ? part : { ...part, earlierUse };
    });
    return { ...picture, parts };
  });
}

function partsToAsk({ parts, patientId, thresholds, today }: Picture): PartAskedOf[] {
  const limits = new Map(
    thresholds.partKinds
      .filter((kind) => kind.replaceAfterSessions !== undefined || kind.replaceAfterHours !== undefined)
      .map((kind) => [kind.code, kind]),
  );
  return parts.flatMap(({ kind, removedDay, ...part }) => {
    const limit = limits.get(kind);
    if (limit === undefined || (removedDay !== undefined && removedDay <= today)) return [];
    return [{ ...limit, ...part, patientId, minimumCycles: thresholds.minimumCycles }];
  });
}

/** Which of them is in force depends on plans that are not read yet, so the window is wide enough for each. */
export function thresholdsThatMayApply(defaults: Thresholds, settings: readonly ThresholdSetting[]): Thresholds[] {
  const plans = settings.flatMap((one) => one.planId ?? []);
  return [undefined, ...plans].map((planId) => effectiveThresholds(defaults, settings, planId));
}

export function windowOf(nowMs: number, thresholds: readonly Thresholds[], firstDay?: LocalDay): PictureWindow {
  const today = localDayOf(nowMs, "UTC");
  const earliest = (days: readonly LocalDay[]) => [...days, firstDay ?? today].sort()[0] ?? today;
  // Two days early, because the patient's zone is not known yet and an evening may end after midnight.
  const startMs = (day: LocalDay) => startOfDayMs(addDays(day, -2), "UTC");
  return {
    sessionsFromMs: startMs(earliest(thresholds.map((one) => firstDayOfPicture(today, one)))),
    coverageFromMs: startMs(earliest(thresholds.map((one) => firstDayOfCoverage(today, one)))),
  };
}

/** Makes the domain's Picture of the facts read: profiles joined to their plans, parts told from machines. */
export function pictureOf(
  facts: PictureFacts,
  defaults: Thresholds,
  settings: readonly ThresholdSetting[],
  nowMs: number,
): Picture {
  const { patient } = facts;
  const today = localDayOf(nowMs, patient.zone);
  const plans = plansWithProfiles(facts.plans, facts.profiles);
  return {
    patientId: patient.patientId,
    zone: patient.zone,
    nowMs,
    today,
    ...(patient.birthDay === undefined ? {} : { birthDay: patient.birthDay }),
    ...(patient.deceasedDay === undefined ? {} : { deceasedDay: patient.deceasedDay }),
    ...(patient.organizationId === undefined ? {} : { organizationId: patient.organizationId }),
    tracheostomy: facts.profiles.some((profile) => tracheostomyInterfaces.has(profile.interface ?? "")),
    plans,
    sessions: facts.sessions,
    ...(facts.lastSessionStartMs === undefined ? {} : { lastSessionStartMs: facts.lastSessionStartMs }),
    machineUses: facts.uses.filter((use) => use.kind === "machine"),
    coverage: facts.coverage,
    parts: partsOf(facts, patient.zone),
    contraindications: facts.contraindications,
    absences: [...facts.absences].sort((a, b) => (a.firstDay < b.firstDay ? -1 : 1)),
    infections: facts.infections,
    screenings: facts.screenings,
    alerts: facts.alerts,
    clockChecks: facts.clockChecks,
    tasks: facts.tasks,
    thresholds: effectiveThresholds(defaults, settings, planInForce(plans, today)?.planId),
  };
}

function partsOf(facts: PictureFacts, zone: string): FittedPart[] {
  return facts.uses
    .filter((use) => use.kind !== "machine" && use.kind !== "software")
    .map(({ deviceId, kind, parentId, startMs, endMs, soiledDay, checkedDay }) => ({
      partId: deviceId,
      kind,
      ...(parentId === undefined ? {} : { machineId: parentId }),
      fittedDay: localDayOf(startMs, zone),
      ...(endMs === undefined ? {} : { removedDay: localDayOf(endMs, zone) }),
      ...(soiledDay === undefined ? {} : { soiledDay }),
      ...(checkedDay === undefined ? {} : { checkedDay }),
    }));
}

/** The refusal of a question about somebody who is not here. */
export function noSuchPatient(patientId: string): Refusal {
  return { kind: "not-found", detail: `There is no Patient/${patientId} here.`, status: 404 };
}
