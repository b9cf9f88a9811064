import { plansWithProfiles } from "../domain/facts.ts";
import { localDayOf, startOfDayMs } from "../domain/local-day.ts";
import type { FittedPart } from "../domain/part.ts";
import type { Picture } from "../domain/picture.ts";
import { firstDayOfPicture } from "../domain/picture-window.ts";
import type { Thresholds } from "../domain/thresholds.ts";
import type { PictureFacts } from "../store/picture.ts";
import type { Service } from "./service.ts";

/** Interface codes that mean the patient breathes through a tracheostomy. */
const tracheostomyInterfaces = new Set(["tracheostomy-adapter", "endotracheal-adapter"]);

const dayMs = 86_400_000;

/** Where the sessions of a review's window begin: two days early, because the patient's zone is not known yet. */
export function windowStartMs(nowMs: number, thresholds: Thresholds): number {
  return startOfDayMs(firstDayOfPicture(localDayOf(nowMs, "UTC"), thresholds), "UTC") - 2 * dayMs;
}

/** Makes the domain's Picture of the facts read: profiles joined to their plans, parts told from machines. */
export function pictureOf(facts: PictureFacts, service: Pick<Service, "thresholds">, nowMs: number): Picture {
  const { patient } = facts;
  return {
    patientId: patient.patientId,
    zone: patient.zone,
    nowMs,
    today: localDayOf(nowMs, patient.zone),
    ...(patient.birthDay === undefined ? {} : { birthDay: patient.birthDay }),
    ...(patient.deceasedDay === undefined ? {} : { deceasedDay: patient.deceasedDay }),
    tracheostomy: facts.profiles.some((profile) => tracheostomyInterfaces.has(profile.interface ?? "")),
    plans: plansWithProfiles(facts.plans, facts.profiles),
    sessions: facts.sessions,
    ...(facts.lastSessionStartMs === undefined ? {} : { lastSessionStartMs: facts.lastSessionStartMs }),
    machineUses: facts.uses.filter((use) => use.kind === "machine"),
    coverage: facts.coverage,
    parts: partsOf(facts, patient.zone),
    contraindications: facts.contraindications,
    absences: [...facts.absences].sort((a, b) => (a.firstDay < b.firstDay ? -1 : 1)),
    tasks: facts.tasks,
    thresholds: service.thresholds,
  };
}

function partsOf(facts: PictureFacts, zone: string): FittedPart[] {
  return facts.uses
    .filter((use) => use.kind !== "machine")
    .map((use) => ({
      partId: use.deviceId,
      kind: use.kind,
      ...(use.parentId === undefined ? {} : { machineId: use.parentId }),
      fittedDay: localDayOf(use.startMs, zone),
      ...(use.endMs === undefined ? {} : { removedDay: localDayOf(use.endMs, zone) }),
    }));
}
