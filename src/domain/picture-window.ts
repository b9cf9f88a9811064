import { addDays } from "./local-day.ts";
import type { Thresholds } from "./thresholds.ts";
import type { LocalDay } from "./time.ts";

/** Full local days before today over which the numbers of a caseload row are measured. */
export const caseloadDays = 28;

/** How far back a change signal may look for its baseline: three years. A baseline that began earlier must be set anew. */
export const changeSignalDays = 1_100;

/**
 * The first local day whose sessions and alerts a picture must hold: what any rule or the caseload row looks back to.
 * The use of a part before that day is counted apart (`FittedPart.earlierUse`).
 */
export function firstDayOfPicture(today: LocalDay, thresholds: Thresholds): LocalDay {
  const days = [
    thresholds.lowUseWindowDays,
    thresholds.longSittingWindowDays,
    thresholds.settingsDifferWindowDays,
    thresholds.contraindicationWindowDays,
    thresholds.saturationWindowDays,
    thresholds.infectionCourseDays,
    thresholds.alertWindowDays,
    thresholds.changeSignal.on ? changeSignalDays : 0,
  ];
  return addDays(today, -Math.max(caseloadDays, ...days));
}

/** The first local day whose coverage a picture must hold: an idle device is known to be idle only where it was read. */
export function firstDayOfCoverage(today: LocalDay, thresholds: Thresholds): LocalDay {
  const idleDay = addDays(today, -thresholds.deviceIdleDays);
  return [idleDay, firstDayOfPicture(today, thresholds)].sort()[0] ?? idleDay;
}
