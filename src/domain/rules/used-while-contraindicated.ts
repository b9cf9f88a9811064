import { type Contraindication, isInForce } from "../contraindication.ts";
import type { Finding } from "../finding.ts";
import { addDays, localDayOf } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import { listed } from "./examination.ts";
import type { Rule } from "./rule.ts";
import { counted, dayInWords } from "./wording.ts";

const MOST_SHOWN = 5;

/**
 * Sessions that began at or after the start of a contraindication flag still in force, on days from `today - N` up to
 * now. A single breath counts here, so sessions too short to count as use do too; only those marked as a test do not.
 */
export const usedWhileContraindicated: Rule = {
  code: "used-while-contraindicated",
  title: "Used while a contraindication is flagged",
  source: "A safety rule of this service; the window is its own choice, no published source.",
  examine: (picture) => listed(picture.contraindications.flatMap((flag) => findingOf(flag, picture) ?? [])),
};

function findingOf(flag: Contraindication, picture: Picture): Finding | undefined {
  const { today, thresholds, zone } = picture;
  if (!isInForce(flag, picture.nowMs)) return undefined;
  const firstDay = addDays(today, -thresholds.contraindicationWindowDays);
  const sessions = picture.sessions.filter(
    (session) => session.test !== true && session.localDay >= firstDay && session.startMs >= flag.startMs,
  );
  const [first] = sessions;
  if (first === undefined) return undefined;
  const flagged = dayInWords(localDayOf(flag.startMs, zone));
  const reference = `Flag/${flag.flagId}`;
  return {
    rule: usedWhileContraindicated.code,
    subject: reference,
    severity: "urgent",
    safety: true,
    sinceDay: first.localDay,
    text: `Recorded use: ${counted(sessions.length, "session")} since ${dayInWords(first.localDay)} while the contraindication "${flag.title}" (${flag.class}), flagged on ${flagged}, is in force.`,
    evidence: [
      { name: "contraindication", text: `${flag.title}, ${flag.class}, flagged on ${flagged}.`, reference },
      { name: "sessions", text: "Sessions recorded since the flag began.", value: sessions.length, unit: "1" },
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
