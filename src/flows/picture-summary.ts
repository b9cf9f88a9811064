import { isClosed } from "../domain/finding-task.ts";
import { infectionOn } from "../domain/infection.ts";
import type { Picture } from "../domain/picture.ts";
import { isHeld, planInForce } from "../domain/plan-in-force.ts";
import { coverageOfPatient } from "../domain/range.ts";
import type { LocalDay } from "../domain/time.ts";

/** What a review saw of a patient, in short: enough to tell what a rule's numbers came from. */
export interface PictureSummary {
  readonly zone: string;
  readonly planId?: string;
  readonly planHeld: boolean;
  readonly sessions: { readonly count: number; readonly firstDay?: LocalDay; readonly lastDay?: LocalDay };
  /** Until when the records reach. */
  readonly coveredUntil?: string;
  readonly machines: readonly string[];
  readonly parts: number;
  readonly contraindications: number;
  readonly absences: number;
  readonly infectionId?: string;
  readonly openTasks: number;
}

/** The picture in short. */
export function pictureSummary(picture: Picture): PictureSummary {
  const { today, nowMs } = picture;
  const plan = planInForce(picture.plans, today);
  const firstDay = picture.sessions[0]?.localDay;
  const lastDay = picture.sessions.at(-1)?.localDay;
  const coveredMs = coverageOfPatient(picture.coverage, picture.machineUses).at(-1)?.endMs;
  const infection = infectionOn(picture.infections, today);
  return {
    zone: picture.zone,
    ...(plan === undefined ? {} : { planId: plan.planId }),
    planHeld: plan !== undefined && isHeld(plan, today),
    sessions: {
      count: picture.sessions.length,
      ...(firstDay === undefined ? {} : { firstDay }),
      ...(lastDay === undefined ? {} : { lastDay }),
    },
    ...(coveredMs === undefined ? {} : { coveredUntil: new Date(Math.min(coveredMs, nowMs)).toISOString() }),
    machines: [
      ...new Set(
        picture.machineUses
          .filter((use) => use.startMs <= nowMs && (use.endMs === undefined || nowMs < use.endMs))
          .map((use) => use.deviceId),
      ),
    ],
    parts: picture.parts.filter((part) => part.removedDay === undefined || part.removedDay > today).length,
    contraindications: picture.contraindications.filter((flag) => flag.active).length,
    absences: picture.absences.length,
    ...(infection === undefined ? {} : { infectionId: infection.conditionId }),
    openTasks: picture.tasks.filter((task) => !isClosed(task.status)).length,
  };
}
