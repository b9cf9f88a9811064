import type { Evidence, Finding } from "../finding.ts";
import { addDays } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import type { Session } from "../session.ts";
import { compareSettings, type SettingDifference, type SettingsComparison } from "../settings-comparison.ts";
import { examination } from "./examination.ts";
import type { Examination, Rule } from "./rule.ts";
import { counted, dayInWords, plainNumber } from "./wording.ts";

const MOST_SHOWN = 3;

/**
 * Sessions, on days from `today - N` up to now, whose recorded set pressures or times lie beyond the tolerance of every
 * prescribed profile that they may have used, or that used a profile slot which the plan of that day does not prescribe.
 */
export const settingsDiffer: Rule = {
  code: "settings-differ",
  title: "Recorded settings differ from the prescription",
  source: "Tolerances and window: choice of this service, no published source.",
  examine: (picture) => [examineSettings(picture)],
};

type Differing = Extract<SettingsComparison, { kind: "differs" }> & { readonly session: Session };

function examineSettings(picture: Picture): Examination {
  const { today, thresholds } = picture;
  const firstDay = addDays(today, -thresholds.settingsDifferWindowDays);
  const sessions = picture.sessions.filter((session) => session.localDay >= firstDay && session.test !== true);
  const all = sessions.map((session) => ({ session, ...compareSettings(session, picture) }));
  const compared = all.filter((one) => one.kind !== "not-comparable");
  const differing = compared.filter((one): one is Differing => one.kind === "differs");
  return examination("therapy", (ask) => {
    const since = dayInWords(firstDay);
    const window = `${counted(sessions.length, "session")} since ${since}`;
    const comparable = {
      name: "compared",
      text: `${compared.length} of ${window} can be compared: the device recorded settings and the plan of the day states them.`,
      holds: compared.length > 0,
      value: compared.length,
      unit: "1",
    };
    if (!ask(comparable)) return undefined;
    const text = `${differing.length} of them differ by more than ${plainNumber(thresholds.settingsPressureToleranceCmH2O)} cmH2O or ${plainNumber(thresholds.settingsTimeToleranceSeconds)} s, or used a slot that no plan prescribes.`;
    const source = thresholds.sources.settingsPressureToleranceCmH2O;
    const found = { name: "differing", text, holds: differing.length > 0, value: differing.length, unit: "1", source };
    return ask(found) ? findingOf(differing, picture) : undefined;
  });
}

function findingOf(differing: readonly Differing[], { thresholds }: Picture): Finding | undefined {
  const [first] = differing;
  const latest = differing.at(-1);
  if (first === undefined || latest === undefined) return undefined;
  const since = dayInWords(first.session.localDay);
  return {
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
  };
}

function evidenceOf({ session, nearest }: Differing): Evidence[] {
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

function inWords({ session, nearest }: Differing): string {
  const what = nearest === undefined ? slotInWords(session) : nearest.differences.map(differenceInWords).join("; ");
  return `${dayInWords(session.localDay)}, ${what}.`;
}

function slotInWords(session: Session): string {
  return `profile slot ${session.profileSlot} was used, which the plan does not prescribe`;
}

function differenceInWords({ title, set, prescribed, unitText }: SettingDifference): string {
  return `${title} ${plainNumber(set)} ${unitText} recorded, ${plainNumber(prescribed)} ${unitText} prescribed`;
}
