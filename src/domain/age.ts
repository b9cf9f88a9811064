import type { LocalDay } from "./time.ts";

/**
 * Completed years of life on a local day; negative before birth. Somebody born on 29 February completes a year on 1 March
 * of a common year, when the date itself has passed.
 */
export function ageInYears(birthDay: LocalDay, day: LocalDay): number {
  const years = Number(day.slice(0, 4)) - Number(birthDay.slice(0, 4));
  return day.slice(5) < birthDay.slice(5) ? years - 1 : years;
}
