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
}

/**
 * What a plan asks for on each of its days. Profiles of role `usual` ask; where a plan has none, all of its profiles do.
 * The chest-infection profile beside a usual one replaces it for a while and asks for nothing of its own, and what is to
 * be used when needed asks for nothing. A part that the tenant no longer names is asked for at no particular time.
 */
export function askedPerDay(plan: Plan, dayParts: readonly DayPart[]): AskedPerDay {
  const usual = plan.profiles.filter((profile) => profile.role === "usual");
  const asking: readonly SettingsProfile[] = usual.length > 0 ? usual : plan.profiles;
  const codes = new Set<string>();
  let count = 0;
  for (const { schedule } of asking) {
    if (schedule.kind === "count") count += schedule.timesPerDay;
    else if (schedule.kind === "day-parts") for (const code of schedule.parts) codes.add(code);
  }
  const parts = dayParts.filter((part) => codes.has(part.code));
  return { parts, count: count + codes.size - parts.length };
}
