import { type DayState, qualifies } from "./day-state.ts";
import type { Picture } from "./picture.ts";
import type { Session } from "./session.ts";
import { compareSettings } from "./settings-comparison.ts";
import { mergeSittings } from "./sitting.ts";
import type { LocalDay } from "./time.ts";

/** What one day says beyond whether it was used: dose, settings, length of sittings, and all of them together. */
export interface DayFacets {
  readonly day: LocalDay;
  /** Cycles prescribed; 0 where the plan states none or asks for nothing. */
  readonly cyclesAsked: number;
  /** Cycles delivered, at most those prescribed. */
  readonly cyclesDone: number;
  /** Prescribed cycles that are known to be delivered or not. */
  readonly cyclesKnown: number;
  /** Qualifying sessions, those of them whose settings can be held against the prescription, and those within tolerance. */
  readonly sessions: number;
  readonly compared: number;
  readonly concordant: number;
  /** Sittings that began on the day and were longer than the cap. */
  readonly longSittings: number;
  /**
   * Whether every asked session was done, every session concordant and no sitting too long; absent on a day that asks for
   * nothing. `unknown`: nothing speaks against it, and the records do not tell all of it.
   */
  readonly facets?: "met" | "not-met" | "unknown";
}

/** The facets of these days, in their order; nothing counts on a day that is not eligible. */
export function dayFacets(picture: Picture, days: readonly DayState[]): DayFacets[] {
  const { minimumCycles, sittingRestGapMinutes, longSittingMinutes } = picture.thresholds;
  const byDay = Map.groupBy(
    picture.sessions.filter((session) => qualifies(session, minimumCycles)),
    (session) => session.localDay,
  );
  const longByDay = new Map<LocalDay, number>();
  for (const sitting of mergeSittings(picture.sessions, sittingRestGapMinutes)) {
    const day = sitting.sessions[0]?.localDay;
    if (day === undefined || sitting.endMs - sitting.startMs <= longSittingMinutes * 60_000) continue;
    longByDay.set(day, (longByDay.get(day) ?? 0) + 1);
  }
  return days.map((day) => facetsOf(day, byDay.get(day.day) ?? [], longByDay.get(day.day) ?? 0, picture));
}

function facetsOf(day: DayState, sessions: readonly Session[], longSittings: number, picture: Picture): DayFacets {
  if (!day.eligible) {
    const none = { cyclesAsked: 0, cyclesDone: 0, cyclesKnown: 0, sessions: 0, compared: 0, concordant: 0 };
    return { day: day.day, ...none, longSittings: 0 };
  }
  const comparisons = sessions.map((session) => compareSettings(session, picture));
  const concordant = comparisons.filter((one) => one.kind === "concordant").length;
  const differing = comparisons.filter((one) => one.kind === "differs").length;
  const unrecorded = comparisons.some((one) => one.kind === "not-comparable" && one.reason === "not-recorded");
  const cyclesAsked = day.cyclesAsked ?? 0;
  const cyclesDone = Math.min(day.cycles ?? 0, cyclesAsked);
  // A session that states no cycles may have delivered what is still missing; so may one that nobody has read yet.
  const allKnown = day.covered && day.sessionsWithoutCycles === 0;
  const spoken = day.missed > 0 || differing > 0 || longSittings > 0;
  const told = day.unknown === 0 && !unrecorded;
  return {
    day: day.day,
    cyclesAsked,
    cyclesDone,
    cyclesKnown: allKnown ? cyclesAsked : cyclesDone,
    sessions: sessions.length,
    compared: concordant + differing,
    concordant,
    longSittings,
    ...(day.asked > 0 && { facets: spoken ? "not-met" : told ? "met" : "unknown" }),
  };
}
