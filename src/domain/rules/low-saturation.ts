import type { Finding } from "../finding.ts";
import { addDays } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import type { Session } from "../session.ts";
import { examination } from "./examination.ts";
import type { Examination, Rule } from "./rule.ts";
import { counted, dayInWords, plainNumber } from "./wording.ts";

const MOST_SHOWN = 5;

/** A lowest oxygen saturation under the threshold, recorded with a session on a day from `today - N` up to now. */
export const lowSaturation: Rule = {
  code: "low-saturation",
  title: "Low oxygen saturation recorded",
  source:
    "95 %: Bach et al. 2015, Respir Care 60:477. 90 % and the window: choice of this service, no published source.",
  examine: (picture) => [examineSaturations(picture)],
};

type WithSaturation = Session & { readonly lowestSpo2Percent: number };

function examineSaturations(picture: Picture): Examination {
  const { thresholds, today } = picture;
  const firstDay = addDays(today, -thresholds.saturationWindowDays);
  const stated = picture.sessions
    .filter((session) => session.test !== true && session.localDay >= firstDay)
    .filter((session): session is WithSaturation => session.lowestSpo2Percent !== undefined);
  return examination("therapy", (ask) => {
    const recorded = {
      name: "sessions-with-saturation",
      text: `${counted(stated.length, "session")} since ${dayInWords(firstDay)} with an oxygen saturation.`,
      holds: stated.length > 0,
      value: stated.length,
      unit: "1",
      source: thresholds.sources.saturationWindowDays,
    };
    if (!ask(recorded)) return undefined;
    const lowest = Math.min(...stated.map((session) => session.lowestSpo2Percent));
    const limit = thresholds.saturationInformationBelowPercent;
    const low = {
      name: "lowest-saturation",
      text: `The lowest of them is ${plainNumber(lowest)} %.`,
      holds: lowest < limit,
      value: lowest,
      threshold: limit,
      unit: "%",
      source: thresholds.sources.saturationInformationBelowPercent,
    };
    if (!ask(low)) return undefined;
    const review = thresholds.saturationReviewBelowPercent;
    ask({
      name: "severity",
      text: lowest < review ? `Under ${plainNumber(review)} %: for review.` : "For information.",
      holds: true,
      value: lowest,
      threshold: review,
      unit: "%",
      source: thresholds.sources.saturationReviewBelowPercent,
    });
    return findingOf(stated, lowest, picture);
  });
}

function findingOf(stated: readonly WithSaturation[], lowest: number, { thresholds }: Picture): Finding | undefined {
  const isReview = lowest < thresholds.saturationReviewBelowPercent;
  const limit = isReview ? thresholds.saturationReviewBelowPercent : thresholds.saturationInformationBelowPercent;
  const low = stated.filter((session) => session.lowestSpo2Percent < limit);
  const [first] = low;
  const latest = low.at(-1);
  if (first === undefined || latest === undefined) return undefined;
  return {
    rule: lowSaturation.code,
    subject: "therapy",
    severity: isReview ? "review" : "information",
    safety: false,
    sinceDay: first.localDay,
    text: `Recorded with ${counted(low.length, "session")} since ${dayInWords(first.localDay)}: a lowest oxygen saturation under ${plainNumber(limit)} %, the lowest ${plainNumber(lowest)} %. It is what the device wrote down, with movement and a cold finger in it, and no measurement for diagnosis.`,
    evidence: low.slice(-MOST_SHOWN).map((session) => ({
      name: "lowest-saturation",
      text: `${dayInWords(session.localDay)}: ${plainNumber(session.lowestSpo2Percent)} %.`,
      value: session.lowestSpo2Percent,
      unit: "%",
      reference: `Observation/${session.sessionId}`,
    })),
    clearsWhen: `No session of ${counted(thresholds.saturationWindowDays, "day")} is under ${plainNumber(limit)} %.`,
    focus: `Observation/${latest.sessionId}`,
  };
}
