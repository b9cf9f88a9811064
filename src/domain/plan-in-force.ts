import type { DayPart, Plan, SettingsProfile } from "./prescription.ts";
import type { LocalDay } from "./time.ts";

/**
 * The plan in force on a local day, holds included; absent when none is.
 * A draft never is. A completed or revoked plan was in force until its `endDay`; without one nobody can say until when,
 * so it is in force on no day. Should versions overlap after all, the one that began last wins.
 */
export function planInForce(plans: readonly Plan[], day: LocalDay): Plan | undefined {
  let found: Plan | undefined;
  for (const plan of plans) {
    if (plan.status === "draft" || plan.firstDay > day) continue;
    const open = plan.status === "active" || plan.status === "on-hold";
    if (plan.endDay === undefined ? !open : plan.endDay <= day) continue;
    if (found === undefined || plan.firstDay >= found.firstDay) found = plan;
  }
  return found;
}

/**
 * Whether the plan asks for nothing on this day although it is in force: one of its holds contains the day, or it stands
 * on hold and no hold says since when.
 */
export function isHeld(plan: Plan, day: LocalDay): boolean {
  if (plan.status === "on-hold" && plan.holds.length === 0) return true;
  return plan.holds.some((hold) => hold.firstDay <= day && (hold.endDay === undefined || day < hold.endDay));
}

/** What one day asks for: day parts, each once, and a bare number of sessions at no particular time. */
export interface AskedPerDay {
  readonly parts: readonly DayPart[];
  readonly count: number;
  /** Cycles prescribed for a session of each part, by its code; a part whose profile states none is missing. */
  readonly cyclesOfPart: Readonly<Record<string, number>>;
  /** Cycles prescribed for all sessions of the bare number together; absent when a profile that asks for one states none. */
  readonly cyclesOfCount?: number;
}

/** The day on which something is asked. */
export interface AskingDay {
  readonly day: LocalDay;
  /** Whether a chest infection lasts on it. */
  readonly infected: boolean;
}

/**
 * What a plan asks for on one of its days. Profiles of role `usual` ask; where a plan has none, all of its profiles do.
 * While a chest infection lasts, profiles for it that say how often replace the usual ones; otherwise they ask for
 * nothing of their own, and what is to be used when needed asks for nothing. Of a profile that was replaced, the one in
 * force on the day counts. A part that the tenant no longer names is asked for at no particular time.
 */
export function askedPerDay(plan: Plan, { day, infected }: AskingDay, dayParts: readonly DayPart[]): AskedPerDay {
  const inForce = plan.profiles.filter(
    ({ fromDay, untilDay }) => (fromDay === undefined || fromDay <= day) && (untilDay === undefined || day < untilDay),
  );
  const cyclesOfPart: Record<string, number> = {};
  const codes = new Set<string>();
  let [count, cyclesOfCount]: [number, number | undefined] = [0, 0];
  const addCount = (times: number, cycles: number | undefined) => {
    count += times;
    cyclesOfCount = cycles === undefined || cyclesOfCount === undefined ? undefined : cyclesOfCount + times * cycles;
  };
  for (const profile of askingProfiles(inForce, infected)) {
    const { schedule } = profile;
    const cycles = cyclesOfSession(profile);
    if (schedule.kind === "count") addCount(schedule.timesPerDay, cycles);
    if (schedule.kind !== "day-parts") continue;
    for (const code of schedule.parts) {
      if (codes.has(code)) continue;
      codes.add(code);
      if (!dayParts.some((part) => part.code === code)) addCount(1, cycles);
      else if (cycles !== undefined) cyclesOfPart[code] = cycles;
    }
  }
  const parts = dayParts.filter((part) => codes.has(part.code));
  return { parts, count, cyclesOfPart, ...(cyclesOfCount !== undefined && { cyclesOfCount }) };
}

function askingProfiles(profiles: readonly SettingsProfile[], infected: boolean): readonly SettingsProfile[] {
  if (infected) {
    const ofInfection = profiles.filter(
      (profile) => profile.role === "chest-infection" && profile.schedule.kind !== "when-needed",
    );
    if (ofInfection.length > 0) return ofInfection;
  }
  const usual = profiles.filter((profile) => profile.role === "usual");
  return usual.length > 0 ? usual : profiles;
}

function cyclesOfSession({ cyclesPerSet, setsPerSession }: SettingsProfile): number | undefined {
  return cyclesPerSet === undefined || setsPerSession === undefined ? undefined : cyclesPerSet * setsPerSession;
}
