import type { Finding } from "../finding.ts";
import { type ChestInfection, infectionOn } from "../infection.ts";
import { addDays, daysBetween } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import { planInForce } from "../plan-in-force.ts";
import type { Plan, SettingsProfile } from "../prescription.ts";
import type { Session } from "../session.ts";
import type { LocalDay } from "../time.ts";
import { examination } from "./examination.ts";
import type { Examination, Rule } from "./rule.ts";
import { counted, dayInWords } from "./wording.ts";

/**
 * The course of a chest infection: each Condition that lasts longer than N days, and for N days after its end what must
 * then happen; and, of the therapy, the profile for infections in use for longer than N days with none on record, or still
 * in use when the infection is over.
 */
export const infectionCourse: Rule = {
  code: "infection-course",
  title: "Course of a chest infection",
  source: "Number of days: choice of this service, no published source. Changing parts afterwards: common practice.",
  examine: (picture) => [...picture.infections.map((one) => examineInfection(one, picture)), examineProfile(picture)],
};

function examineInfection(infection: ChestInfection, picture: Picture): Examination {
  const { today, thresholds } = picture;
  const reference = `Condition/${infection.conditionId}`;
  const days = thresholds.infectionCourseDays;
  const source = thresholds.sources.infectionCourseDays;
  const { firstDay, endDay } = infection;
  return examination(reference, (ask) => {
    const begun = { name: "begun", text: `A chest infection since ${dayInWords(firstDay)}.`, holds: firstDay <= today };
    if (!ask({ ...begun, reference })) return undefined;
    if (endDay !== undefined && endDay <= today) {
      const since = daysBetween(endDay, today);
      const text = `It was over on ${dayInWords(endDay)}; what follows is told for ${counted(days, "day")}.`;
      const recent = {
        name: "days-since-end",
        text,
        holds: since < days,
        value: since,
        threshold: days,
        unit: "d",
        source,
      };
      return ask(recent) ? endedFinding(infection, endDay, picture) : undefined;
    }
    const lasted = daysBetween(firstDay, today);
    const long = {
      name: "full-days",
      text: `It has lasted for ${counted(Math.min(lasted, days + 1), "full day")}${lasted > days + 1 ? " and more" : ""}.`,
      holds: lasted > days,
      value: lasted,
      threshold: days,
      unit: "d",
      source,
    };
    return ask(long) ? lastingFinding(infection, picture) : undefined;
  });
}

function lastingFinding(infection: ChestInfection, { thresholds }: Picture): Finding {
  const reference = `Condition/${infection.conditionId}`;
  const days = thresholds.infectionCourseDays;
  return {
    rule: infectionCourse.code,
    subject: reference,
    severity: "review",
    safety: false,
    sinceDay: addDays(infection.firstDay, days + 1),
    text: `A chest infection on record since ${dayInWords(infection.firstDay)} has lasted for more than ${counted(days, "day")}. See whether it still lasts, and enter its end if it does not: parts are to be changed then.`,
    evidence: [{ name: "infection", text: `Since ${dayInWords(infection.firstDay)}.`, reference }],
    clearsWhen: "The end of the infection is recorded.",
    focus: reference,
  };
}

function endedFinding(infection: ChestInfection, endDay: LocalDay, { thresholds }: Picture): Finding {
  const reference = `Condition/${infection.conditionId}`;
  const kinds = thresholds.partKinds.filter((kind) => kind.replaceAfterInfection === true);
  const titles = kinds.map((kind) => kind.title.toLowerCase()).join(", ");
  const parts = titles === "" ? "" : ` To be replaced after it: ${titles}.`;
  return {
    rule: infectionCourse.code,
    subject: reference,
    severity: "information",
    safety: false,
    sinceDay: endDay,
    text: `The chest infection of ${dayInWords(infection.firstDay)} was over on ${dayInWords(endDay)}.${parts}`,
    evidence: [
      {
        name: "infection",
        text: `From ${dayInWords(infection.firstDay)}, over on ${dayInWords(endDay)}.`,
        reference,
      },
    ],
    clearsWhen: `${counted(thresholds.infectionCourseDays, "day")} have passed since.`,
    focus: reference,
  };
}

/** Use of the profile for infections, as far as the slot tells it from the usual one. */
function examineProfile(picture: Picture): Examination {
  const { thresholds, infections, today } = picture;
  const days = thresholds.infectionCourseDays;
  const used = picture.sessions.filter((session) => session.test !== true && ranOnInfectionProfile(session, picture));
  const [first] = used;
  const latest = used.at(-1);
  return examination("therapy", (ask) => {
    const count = {
      name: "sessions-on-profile",
      text: `${counted(used.length, "session")} on the profile for a chest infection.`,
      holds: used.length > 0,
      value: used.length,
      unit: "1",
    };
    if (!ask(count) || first === undefined || latest === undefined) return undefined;
    const current = infectionOn(infections, today);
    const text = current === undefined ? "No chest infection is on record today." : "A chest infection is on record.";
    if (!ask({ name: "no-infection-now", text, holds: current === undefined })) return undefined;
    // An infection of long ago explains nothing about use of today.
    const recentDay = addDays(today, -days);
    const endDay = infections
      .flatMap((one) => one.endDay ?? [])
      .filter((day) => day <= today && day >= recentDay)
      .sort()
      .at(-1);
    if (endDay !== undefined) return stillUsed(ask, used, endDay, picture);
    const span = daysBetween(first.localDay, latest.localDay);
    const long = {
      name: "span-days",
      text: `From ${dayInWords(first.localDay)} to ${dayInWords(latest.localDay)}, with no chest infection on record.`,
      holds: span > days,
      value: span,
      threshold: days,
      unit: "d",
      source: thresholds.sources.infectionCourseDays,
    };
    if (!ask(long)) return undefined;
    const what = `The profile for a chest infection has been in use for more than ${counted(days, "day")}, and no chest infection is on record. See whether there is one, and whether the usual profile is to be used again.`;
    return profileFinding(what, first, picture, "The profile is no longer used, or an infection is recorded.");
  });
}

function stillUsed(
  ask: Parameters<Parameters<typeof examination>[1]>[0],
  used: readonly Session[],
  endDay: LocalDay,
  picture: Picture,
): Finding | undefined {
  const after = used.filter((session) => session.localDay >= endDay);
  const [first] = after;
  const step = {
    name: "sessions-after-end",
    text: `${counted(after.length, "session")} on it since the infection was over on ${dayInWords(endDay)}.`,
    holds: after.length > 0,
    value: after.length,
    unit: "1",
  };
  if (!ask(step) || first === undefined) return undefined;
  const what = `The profile for a chest infection is still used: the infection was over on ${dayInWords(endDay)}, and sessions on it are recorded since ${dayInWords(first.localDay)}.`;
  return profileFinding(what, first, picture, "The profile is no longer used, or an infection is recorded.");
}

/** Tells of the profile and not of each session, so that the words stay while it goes on. */
function profileFinding(text: string, first: Session, { plans }: Picture, clearsWhen: string): Finding {
  const profileId = profilesOfSlot(first, plans)[0]?.profileId;
  const reference = profileId === undefined ? {} : { reference: `DeviceRequest/${profileId}` };
  return {
    rule: infectionCourse.code,
    subject: "therapy",
    severity: "review",
    safety: false,
    sinceDay: first.localDay,
    text,
    evidence: [{ name: "profile", text: "The profile for a chest infection.", ...reference }],
    clearsWhen,
    ...(profileId !== undefined && { focus: `DeviceRequest/${profileId}` }),
  };
}

/** Only a slot that no other profile of the day's plan has tells which profile it was. */
function ranOnInfectionProfile(session: Session, { plans }: Picture): boolean {
  const ofSlot = profilesOfSlot(session, plans);
  return ofSlot.length > 0 && ofSlot.every((profile) => profile.role === "chest-infection");
}

function profilesOfSlot({ profileSlot, localDay }: Session, plans: readonly Plan[]): readonly SettingsProfile[] {
  if (profileSlot === undefined) return [];
  return (planInForce(plans, localDay)?.profiles ?? []).filter((profile) => profile.slot === profileSlot);
}
