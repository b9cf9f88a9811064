import type { Evidence, Finding } from "../finding.ts";
import { addDays } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import { planInForce } from "../plan-in-force.ts";
import type { Plan, SettingsProfile } from "../prescription.ts";
import type { Session } from "../session.ts";
import { listed } from "./examination.ts";
import type { Rule } from "./rule.ts";
import { counted, dayInWords, plainNumber } from "./wording.ts";

const MOST_SHOWN = 3;
// 1.6 s - 1.5 s is a little over 0.1 in binary fractions; a difference of exactly the tolerance is within it.
const ROUNDING = 1e-9;

/**
 * Sessions, on days from `today - N` up to now, whose recorded set pressures or times lie beyond the tolerance of every
 * prescribed profile that they may have used, or that used a profile slot which the plan of that day does not prescribe.
 * What a device did not record, or a plan does not state, is not compared.
 */
export const settingsDiffer: Rule = {
  code: "settings-differ",
  title: "Recorded settings differ from the prescription",
  source: "Tolerances and window: choice of this service, no published source.",
  examine: (picture) => listed(findSettingsDiffer(picture)),
};

interface Difference {
  readonly name: string;
  readonly title: string;
  readonly unit: string;
  readonly unitText: string;
  readonly set: number;
  readonly prescribed: number;
}

interface DifferingSession {
  readonly session: Session;
  readonly plan: Plan;
  /** The nearest profile with what differs from it; absent when the slot itself is not prescribed. */
  readonly nearest?: { readonly profile: SettingsProfile; readonly differences: readonly Difference[] };
}

function findSettingsDiffer(picture: Picture): Finding[] {
  const { today, thresholds } = picture;
  const firstDay = addDays(today, -thresholds.settingsDifferWindowDays);
  const compared = picture.sessions.filter((session) => session.localDay >= firstDay && session.test !== true);
  const differing = compared.flatMap((session) => differingSession(session, picture) ?? []);
  const [first] = differing;
  const latest = differing.at(-1);
  if (first === undefined || latest === undefined) return [];
  const since = dayInWords(first.session.localDay);
  return [
    {
      rule: settingsDiffer.code,
      subject: "therapy",
      severity: "review",
      safety: false,
      sinceDay: first.session.localDay,
      text: `The settings recorded in ${counted(differing.length, "session")} since ${since} differ from the prescription. Latest: ${inWords(latest)}`,
      evidence: [
        ...differing.slice(-MOST_SHOWN).flatMap(evidenceOf),
        { name: "plan", text: "The plan in force at the latest of them.", reference: `CarePlan/${latest.plan.planId}` },
      ],
      clearsWhen: `Every session of ${counted(thresholds.settingsDifferWindowDays, "day")} was recorded with prescribed settings.`,
      focus: `Observation/${latest.session.sessionId}`,
    },
  ];
}

function differingSession(session: Session, picture: Picture): DifferingSession | undefined {
  const plan = planInForce(picture.plans, session.localDay);
  if (plan === undefined || plan.profiles.length === 0) return undefined;
  const candidates = profilesOfSlot(plan.profiles, session.profileSlot);
  if (candidates.length === 0) return { session, plan };
  let nearest: DifferingSession["nearest"];
  for (const profile of candidates) {
    const differences = differencesOf(session, profile, picture);
    if (differences.length === 0) return undefined;
    if (nearest === undefined || differences.length < nearest.differences.length) nearest = { profile, differences };
  }
  return nearest === undefined ? undefined : { session, plan, nearest };
}

// A profile that names no slot may be stored in any.
function profilesOfSlot(profiles: readonly SettingsProfile[], slot: string | undefined): readonly SettingsProfile[] {
  if (slot === undefined) return profiles;
  const named = profiles.filter((profile) => profile.slot === slot);
  return named.length > 0 ? named : profiles.filter((profile) => profile.slot === undefined);
}

function differencesOf(session: Session, profile: SettingsProfile, { thresholds }: Picture): Difference[] {
  const pressure = { tolerance: thresholds.settingsPressureToleranceCmH2O, unit: "cm[H2O]", unitText: "cmH2O" };
  const time = { tolerance: thresholds.settingsTimeToleranceSeconds, unit: "s", unitText: "s" };
  const rows = [
    ["insufflation-pressure", session.setInsufflationPressureCmH2O, profile.insufflationPressureCmH2O, pressure],
    ["exsufflation-pressure", session.setExsufflationPressureCmH2O, profile.exsufflationPressureCmH2O, pressure],
    ["insufflation-time", session.setInsufflationSeconds, profile.insufflationSeconds, time],
    ["exsufflation-time", session.setExsufflationSeconds, profile.exsufflationSeconds, time],
    ["pause-time", session.setPauseSeconds, profile.pauseSeconds, time],
  ] as const;
  return rows.flatMap(([name, set, prescribed, { tolerance, unit, unitText }]) => {
    if (set === undefined || prescribed === undefined) return [];
    if (Math.abs(set - prescribed) <= tolerance + ROUNDING) return [];
    return [{ name: `set-${name}`, title: name.replace("-", " "), unit, unitText, set, prescribed }];
  });
}

function evidenceOf(differing: DifferingSession): Evidence[] {
  const { session, nearest } = differing;
  const reference = `Observation/${session.sessionId}`;
  const day = dayInWords(session.localDay);
  if (nearest === undefined) {
    return [{ name: "slot-not-prescribed", text: `${day}: ${slotInWords(session)}.`, reference }];
  }
  return nearest.differences.map((difference) => ({
    name: difference.name,
    text: `${day}: ${differenceInWords(difference)} (profile ${nearest.profile.profileId}).`,
    value: difference.set,
    unit: difference.unit,
    reference,
  }));
}

function inWords({ session, nearest }: DifferingSession): string {
  const what = nearest === undefined ? slotInWords(session) : nearest.differences.map(differenceInWords).join("; ");
  return `${dayInWords(session.localDay)}, ${what}.`;
}

function slotInWords(session: Session): string {
  return `profile slot ${session.profileSlot} was used, which the plan does not prescribe`;
}

function differenceInWords({ title, set, prescribed, unitText }: Difference): string {
  return `${title} ${plainNumber(set)} ${unitText} recorded, ${plainNumber(prescribed)} ${unitText} prescribed`;
}
