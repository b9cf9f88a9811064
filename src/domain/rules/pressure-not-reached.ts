import { qualifies } from "../day-state.ts";
import type { Finding } from "../finding.ts";
import type { Picture } from "../picture.ts";
import { planInForce } from "../plan-in-force.ts";
import { type SetPressures, shortOfPressure } from "../pressure-shortfall.ts";
import type { Session } from "../session.ts";
import { examination } from "./examination.ts";
import type { Examination, Rule } from "./rule.ts";
import { counted, dayInWords, percent } from "./wording.ts";

/**
 * Of the last sessions that can tell, so many had too many cycles short of the set pressure. It points to the seal of the
 * mask, the cuff or the circuit, and says nothing of the person's lungs.
 */
export const pressureNotReached: Rule = {
  code: "pressure-not-reached",
  title: "Set pressure not reached",
  source: "Shares and numbers of sessions: choice of this service, no published source.",
  examine: (picture) => [examinePressures(picture)],
};

function examinePressures(picture: Picture): Examination {
  const { thresholds } = picture;
  const shares = {
    toleranceShare: thresholds.pressureShortfallShare,
    cyclesShare: thresholds.pressureShortCyclesShare,
  };
  const judged = picture.sessions
    .filter((session) => qualifies(session, thresholds.minimumCycles))
    .map((session) => ({ session, short: shortOfPressure(session, prescribedFor(session, picture), shares) }))
    .filter((one) => one.short !== "cannot-tell")
    .slice(-thresholds.pressureLookbackSessions);
  const short = judged.filter((one) => one.short === "short").map((one) => one.session);
  const needed = thresholds.pressureShortSessions;
  return examination("therapy", (ask) => {
    const canTell = {
      name: "sessions-that-tell",
      text: `${counted(judged.length, "session")} of the last can tell how far pressures were reached; ${needed} are needed.`,
      holds: judged.length >= needed,
      value: judged.length,
      threshold: needed,
      unit: "1",
      source: thresholds.sources.pressureLookbackSessions,
    };
    if (!ask(canTell)) return undefined;
    const cycles = `more than ${percent(shares.cyclesShare)} of the cycles fell short of the set pressure by more than ${percent(shares.toleranceShare)}`;
    const found = {
      name: "sessions-short",
      text: `In ${short.length} of the last ${counted(judged.length, "session")} that can tell, ${cycles}.`,
      holds: short.length >= needed,
      value: short.length,
      threshold: needed,
      unit: "1",
      source: thresholds.sources.pressureShortSessions,
    };
    return ask(found) ? findingOf(short, judged.length, cycles) : undefined;
  });
}

function findingOf(short: readonly Session[], judged: number, cycles: string): Finding | undefined {
  const [first] = short;
  const latest = short.at(-1);
  if (first === undefined || latest === undefined) return undefined;
  return {
    rule: pressureNotReached.code,
    subject: "therapy",
    severity: "review",
    safety: false,
    sinceDay: first.localDay,
    text: `In ${short.length} of the last ${counted(judged, "session")} that can tell, ${cycles}. Look at the seal of the mask or the cuff, and at the circuit, for a leak.`,
    evidence: short.map((session) => ({
      name: "session-short-of-pressure",
      text: `Session on ${dayInWords(session.localDay)}.`,
      reference: `Observation/${session.sessionId}`,
    })),
    clearsWhen: "Fewer of the last sessions are short of pressure.",
    focus: `Observation/${latest.sessionId}`,
  };
}

/** What the plan prescribed for the slot that was used, for devices that do not record what was set. */
function prescribedFor(session: Session, { plans }: Picture): SetPressures {
  const profiles = (planInForce(plans, session.localDay)?.profiles ?? []).filter(
    ({ fromDay, untilDay }) =>
      (fromDay === undefined || fromDay <= session.localDay) && (untilDay === undefined || session.localDay < untilDay),
  );
  const named = profiles.find((profile) => profile.slot === session.profileSlot);
  // Which of several was used nobody knows where no slot tells.
  return named ?? (profiles.length === 1 ? (profiles[0] ?? {}) : {});
}
