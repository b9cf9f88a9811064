import { type Contraindication, isInForce, overrideOf } from "../contraindication.ts";
import type { Finding } from "../finding.ts";
import { addDays, localDayOf } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import { isHeld, planInForce } from "../plan-in-force.ts";
import type { Session } from "../session.ts";
import { examination } from "./examination.ts";
import type { Examination, Rule } from "./rule.ts";
import { counted, dayInWords } from "./wording.ts";

const MOST_SHOWN = 5;

/**
 * Sessions that began at or after the start of a contraindication flag still in force, on days from `today - N` up to
 * now. A single breath counts here, so sessions too short to count as use do too; only those marked as a test do not.
 * A hold of the plan changes nothing: it was used. Where every session ran under a plan that says why it goes on in spite
 * of this very flag, that is shown as information.
 */
export const usedWhileContraindicated: Rule = {
  code: "used-while-contraindicated",
  title: "Used while a contraindication is flagged",
  source: "A safety rule of this service; the window is its own choice, no published source.",
  examine: (picture) => picture.contraindications.map((flag) => examineFlag(flag, picture)),
};

function examineFlag(flag: Contraindication, picture: Picture): Examination {
  const { today, thresholds, zone } = picture;
  const reference = `Flag/${flag.flagId}`;
  const firstDay = addDays(today, -thresholds.contraindicationWindowDays);
  return examination(reference, (ask) => {
    const standing = isInForce(flag, picture.nowMs);
    const flagged = dayInWords(localDayOf(flag.startMs, zone));
    const inForce = {
      name: "flag-in-force",
      text: `"${flag.title}" (${flag.class}), flagged on ${flagged}, ${standing ? "is" : "is not"} in force.`,
      holds: standing,
      reference,
    };
    if (!ask(inForce)) return undefined;
    const sessions = picture.sessions.filter(
      (session) => session.test !== true && session.localDay >= firstDay && session.startMs >= flag.startMs,
    );
    const used = {
      name: "sessions-since",
      text: `${counted(sessions.length, "session")} since it began, looking back to ${dayInWords(firstDay)}.`,
      holds: sessions.length > 0,
      value: sessions.length,
      unit: "1",
      source: thresholds.sources.contraindicationWindowDays,
    };
    return ask(used) ? findingOf(flag, sessions, picture) : undefined;
  });
}

function findingOf(flag: Contraindication, sessions: readonly Session[], picture: Picture): Finding | undefined {
  const [first] = sessions;
  if (first === undefined) return undefined;
  const { thresholds, zone } = picture;
  const flagged = dayInWords(localDayOf(flag.startMs, zone));
  const reference = `Flag/${flag.flagId}`;
  const reason = reasonForAll(flag, sessions, picture);
  const decided = reason === undefined ? "" : ` The plan says why it goes on: "${reason}"`;
  return {
    rule: usedWhileContraindicated.code,
    subject: reference,
    severity: reason === undefined ? "urgent" : "information",
    safety: reason === undefined,
    sinceDay: first.localDay,
    text: `Recorded use: ${counted(sessions.length, "session")} since ${dayInWords(first.localDay)} while the contraindication "${flag.title}" (${flag.class}), flagged on ${flagged}, is in force.${decided}`,
    evidence: [
      { name: "contraindication", text: `${flag.title}, ${flag.class}, flagged on ${flagged}.`, reference },
      { name: "sessions", text: "Sessions recorded since the flag began.", value: sessions.length, unit: "1" },
      ...(reason === undefined ? [] : [{ name: "override-reason", text: reason }]),
      ...sessions.slice(-MOST_SHOWN).map((session) => ({
        name: "session",
        text: `Session on ${dayInWords(session.localDay)}.`,
        reference: `Observation/${session.sessionId}`,
      })),
    ],
    clearsWhen: `The flag ends, or no session is recorded for ${counted(thresholds.contraindicationWindowDays, "day")}.`,
    focus: reference,
  };
}

/** The latest reason given, where the plan of every session's day gives one for this flag. */
function reasonForAll(flag: Contraindication, sessions: readonly Session[], { plans }: Picture): string | undefined {
  const reasons = sessions.map((session) => {
    const plan = planInForce(plans, session.localDay);
    // A plan on hold asks for nothing, so its reason to go on covers no use either.
    if (plan === undefined || isHeld(plan, session.localDay)) return undefined;
    return overrideOf(flag, plan)?.reason;
  });
  return reasons.includes(undefined) ? undefined : reasons.at(-1);
}
