import type { DayRange, LocalDay } from "./time.ts";

/** A chest infection over half-open local days; without `endDay` while it lasts. */
export interface ChestInfection extends DayRange {
  /** id of the Condition. */
  readonly conditionId: string;
}

/** The infection that a local day falls into, the one that began last of several; undefined when there is none. */
export function infectionOn(infections: readonly ChestInfection[], day: LocalDay): ChestInfection | undefined {
  return infections
    .filter(({ firstDay, endDay }) => firstDay <= day && (endDay === undefined || day < endDay))
    .reduce<ChestInfection | undefined>((a, b) => (a === undefined || b.firstDay > a.firstDay ? b : a), undefined);
}
