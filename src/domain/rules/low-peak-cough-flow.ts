import { ageInYears } from "../age.ts";
import { qualifies } from "../day-state.ts";
import type { Finding } from "../finding.ts";
import type { Picture } from "../picture.ts";
import type { Session } from "../session.ts";
import { examination } from "./examination.ts";
import type { Examination, Rule } from "./rule.ts";
import { counted, dayInWords, plainNumber } from "./wording.ts";

/**
 * Every one of the last sessions that state an assisted peak cough flow under the threshold. Only from the age at which
 * the thresholds hold: a healthy small child may be below them.
 */
export const lowPeakCoughFlow: Rule = {
  code: "low-peak-cough-flow",
  title: "Low assisted peak cough flow",
  source:
    "160 L/min: Panitch 2006, Curr Opin Pediatr 18:277. 270 L/min: AARC guideline, Strickland 2013, Respir Care 58(12):2187-2193. From age 12: Hull 2012, Thorax 67 suppl 1:i1-i40.",
  examine: (picture) => [examineFlows(picture)],
};

type WithFlow = Session & { readonly peakCoughFlowLitresPerMinute: number };

function examineFlows(picture: Picture): Examination {
  const { thresholds, birthDay, today } = picture;
  const { peakCoughFlowSessions: needed, peakCoughFlowFromAgeYears: fromAge, sources } = thresholds;
  const last = picture.sessions
    .filter((session) => qualifies(session, thresholds.minimumCycles))
    .filter((session): session is WithFlow => session.peakCoughFlowLitresPerMinute !== undefined)
    .slice(-needed);
  return examination("therapy", (ask) => {
    const age = birthDay === undefined ? undefined : ageInYears(birthDay, today);
    const isOldEnough = {
      name: "age",
      text:
        age === undefined
          ? "No birth date is recorded, so nobody can tell whether the thresholds hold."
          : `${age} years old; the thresholds hold from ${fromAge}.`,
      holds: age !== undefined && age >= fromAge,
      ...(age !== undefined && { value: age }),
      threshold: fromAge,
      unit: "a",
      source: sources.peakCoughFlowFromAgeYears,
    };
    if (!ask(isOldEnough)) return undefined;
    const enough = {
      name: "sessions-with-flow",
      text: `${counted(last.length, "session")} with a peak cough flow; the last ${needed} are looked at.`,
      holds: last.length === needed,
      value: last.length,
      threshold: needed,
      unit: "1",
      source: sources.peakCoughFlowSessions,
    };
    if (!ask(enough)) return undefined;
    const highest = Math.max(...last.map((session) => session.peakCoughFlowLitresPerMinute));
    const limit = thresholds.peakCoughFlowInformationBelowLitresPerMinute;
    const low = {
      name: "highest-flow",
      text: `The highest of the last ${needed} is ${plainNumber(highest)} L/min.`,
      holds: highest < limit,
      value: highest,
      threshold: limit,
      unit: "L/min",
      source: sources.peakCoughFlowInformationBelowLitresPerMinute,
    };
    if (!ask(low)) return undefined;
    const review = thresholds.peakCoughFlowReviewBelowLitresPerMinute;
    ask({
      name: "severity",
      text: highest < review ? `Under ${plainNumber(review)} L/min: for review.` : "For information.",
      holds: true,
      value: highest,
      threshold: review,
      unit: "L/min",
      source: sources.peakCoughFlowReviewBelowLitresPerMinute,
    });
    return findingOf(last, highest, picture);
  });
}

function findingOf(last: readonly WithFlow[], highest: number, { thresholds }: Picture): Finding | undefined {
  const [first] = last;
  const latest = last.at(-1);
  if (first === undefined || latest === undefined) return undefined;
  const review = thresholds.peakCoughFlowReviewBelowLitresPerMinute;
  const isReview = highest < review;
  const limit = isReview ? review : thresholds.peakCoughFlowInformationBelowLitresPerMinute;
  return {
    rule: lowPeakCoughFlow.code,
    subject: "therapy",
    severity: isReview ? "review" : "information",
    safety: false,
    sinceDay: first.localDay,
    text: `The assisted peak cough flow recorded in each of the last ${counted(last.length, "session")} is under ${plainNumber(limit)} L/min. A device's figure is no spirometry: measure before anything is decided on it.`,
    evidence: last.map((session) => ({
      name: "peak-cough-flow",
      text: `${dayInWords(session.localDay)}: ${plainNumber(session.peakCoughFlowLitresPerMinute)} L/min.`,
      value: session.peakCoughFlowLitresPerMinute,
      unit: "L/min",
      reference: `Observation/${session.sessionId}`,
    })),
    clearsWhen: `One of the last ${counted(last.length, "session")} reaches ${plainNumber(limit)} L/min.`,
    focus: `Observation/${latest.sessionId}`,
  };
}
