import { addDays } from "./local-day.ts";
import type { Picture } from "./picture.ts";
import { planInForce } from "./plan-in-force.ts";
import type { Plan, SettingsProfile } from "./prescription.ts";
import type { Session } from "./session.ts";
import type { LocalDay } from "./time.ts";

/** One setting that the device recorded otherwise than prescribed. */
export interface SettingDifference {
  /** Own code, for instance `set-insufflation-pressure`. */
  readonly name: string;
  readonly title: string;
  /** UCUM. */
  readonly unit: string;
  readonly unitText: string;
  readonly set: number;
  readonly prescribed: number;
}

/** A session's settings beside the prescription of its day. */
export type SettingsComparison =
  | { readonly kind: "concordant"; readonly plan: Plan }
  /** `nearest`: the profile with the fewest differences; absent when the slot itself is not prescribed. */
  | {
      readonly kind: "differs";
      readonly plan: Plan;
      readonly nearest?: { readonly profile: SettingsProfile; readonly differences: readonly SettingDifference[] };
    }
  /** `not-recorded`: the plan states settings and the device recorded none of them. */
  | { readonly kind: "not-comparable"; readonly reason: "no-plan" | "not-prescribed" | "not-recorded" };

// 1.6 s - 1.5 s is a little over 0.1 in binary fractions; a difference of exactly the tolerance is within it.
const ROUNDING = 1e-9;

/**
 * Compares what a device recorded as set with every profile that the session may have used. On the day on which a profile
 * or a plan changes, the settings of before and after count as prescribed: nobody knows at what hour somebody set the
 * device. What a device did not record, or a plan does not state, is not compared.
 */
export function compareSettings(session: Session, picture: Picture): SettingsComparison {
  const plan = planInForce(picture.plans, session.localDay);
  if (plan === undefined || plan.profiles.length === 0) return { kind: "not-comparable", reason: "no-plan" };
  const profiles = profilesThatMayCount(plan, session.localDay, picture.plans);
  if (profiles.length === 0) return { kind: "not-comparable", reason: "not-prescribed" };
  const candidates = profilesOfSlot(profiles, session.profileSlot);
  if (candidates.length === 0) return { kind: "differs", plan };
  let nearest: { profile: SettingsProfile; differences: SettingDifference[] } | undefined;
  let compared = 0;
  for (const profile of candidates) {
    const rows = rowsOf(session, profile, picture);
    compared += rows.length;
    const differences = rows.flatMap((row) => row.difference ?? []);
    // A slot that names its profile is settings enough: the profile is prescribed and nothing recorded differs from it.
    if (rows.length > 0 && differences.length === 0) return { kind: "concordant", plan };
    if (differences.length > 0 && (nearest === undefined || differences.length < nearest.differences.length)) {
      nearest = { profile, differences };
    }
  }
  if (nearest !== undefined) return { kind: "differs", plan, nearest };
  return {
    kind: "not-comparable",
    reason: candidates.some(statesSettings) && compared === 0 ? "not-recorded" : "not-prescribed",
  };
}

/** Profiles in force on the day, those that end on it, and on a plan's first day those of the plan before. */
function profilesThatMayCount(plan: Plan, day: LocalDay, plans: readonly Plan[]): SettingsProfile[] {
  const before = plan.firstDay === day ? planInForce(plans, addDays(day, -1)) : undefined;
  const profiles = before === undefined || before === plan ? plan.profiles : [...plan.profiles, ...before.profiles];
  return profiles.filter(
    ({ fromDay, untilDay }) => (fromDay === undefined || fromDay <= day) && (untilDay === undefined || day <= untilDay),
  );
}

// A profile that names no slot may be stored in any.
function profilesOfSlot(profiles: readonly SettingsProfile[], slot: string | undefined): readonly SettingsProfile[] {
  if (slot === undefined) return profiles;
  const named = profiles.filter((profile) => profile.slot === slot);
  return named.length > 0 ? named : profiles.filter((profile) => profile.slot === undefined);
}

function statesSettings(profile: SettingsProfile): boolean {
  return settings.some(({ prescribed }) => prescribed(profile) !== undefined);
}

interface Setting {
  readonly name: string;
  readonly kind: "pressure" | "time";
  readonly recorded: (session: Session) => number | undefined;
  readonly prescribed: (profile: SettingsProfile) => number | undefined;
}

const settings: readonly Setting[] = [
  {
    name: "insufflation-pressure",
    kind: "pressure",
    recorded: (session) => session.setInsufflationPressureCmH2O,
    prescribed: (profile) => profile.insufflationPressureCmH2O,
  },
  {
    name: "exsufflation-pressure",
    kind: "pressure",
    recorded: (session) => session.setExsufflationPressureCmH2O,
    prescribed: (profile) => profile.exsufflationPressureCmH2O,
  },
  {
    name: "insufflation-time",
    kind: "time",
    recorded: (session) => session.setInsufflationSeconds,
    prescribed: (profile) => profile.insufflationSeconds,
  },
  {
    name: "exsufflation-time",
    kind: "time",
    recorded: (session) => session.setExsufflationSeconds,
    prescribed: (profile) => profile.exsufflationSeconds,
  },
  {
    name: "pause-time",
    kind: "time",
    recorded: (session) => session.setPauseSeconds,
    prescribed: (profile) => profile.pauseSeconds,
  },
];

/** One row for each setting that is both recorded and prescribed, with the difference where it is beyond the tolerance. */
function rowsOf(
  session: Session,
  profile: SettingsProfile,
  { thresholds }: Picture,
): { readonly difference?: SettingDifference }[] {
  return settings.flatMap(({ name, kind, recorded, prescribed: prescribedOf }) => {
    const [set, prescribed] = [recorded(session), prescribedOf(profile)];
    if (set === undefined || prescribed === undefined) return [];
    const isPressure = kind === "pressure";
    const tolerance = isPressure ? thresholds.settingsPressureToleranceCmH2O : thresholds.settingsTimeToleranceSeconds;
    if (Math.abs(set - prescribed) <= tolerance + ROUNDING) return [{}];
    const unit = isPressure ? "cm[H2O]" : "s";
    const unitText = isPressure ? "cmH2O" : "s";
    const difference = { name: `set-${name}`, title: name.replace("-", " "), unit, unitText, set, prescribed };
    return [{ difference }];
  });
}
