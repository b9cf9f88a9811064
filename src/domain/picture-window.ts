import { addDays } from "./local-day.ts";
import type { Thresholds } from "./thresholds.ts";
import type { LocalDay } from "./time.ts";

/** Full local days before today over which the numbers of a caseload row are measured. */
export const caseloadDays = 28;

/**
 * The first local day whose sessions a picture must hold: what any rule or the caseload row looks back to.
 * A part with a use limit that was fitted earlier is counted short unless the picture reaches back to that day.
 */
export function firstDayOfPicture(today: LocalDay, thresholds: Thresholds): LocalDay {
  const { lowUseWindowDays, longSittingWindowDays, settingsDifferWindowDays, contraindicationWindowDays } = thresholds;
  const days = [lowUseWindowDays, longSittingWindowDays, settingsDifferWindowDays, contraindicationWindowDays];
  return addDays(today, -Math.max(caseloadDays, ...days));
}
