import type { Finding } from "../finding.ts";
import { addDays } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import { mergeSittings, type Sitting } from "../sitting.ts";
import type { LocalDay } from "../time.ts";
import { examination } from "./examination.ts";
import type { Examination, Rule } from "./rule.ts";
import { counted, dayInWords, plainNumber } from "./wording.ts";

const MOST_SHOWN = 5;

/** A sitting longer than the cap, on a day from `today - N` up to now. Rests shorter than the rest gap are part of it. */
export const longSitting: Rule = {
  code: "long-sitting",
  title: "Sitting longer than the limit",
  source: "30 minutes: common practice, no published source. Window and rest gap: choice of this service.",
  examine: (picture) => [examineSittings(picture)],
};

function examineSittings(picture: Picture): Examination {
  const { today, thresholds } = picture;
  const firstDay = addDays(today, -thresholds.longSittingWindowDays);
  const cap = thresholds.longSittingMinutes;
  const sittings = mergeSittings(picture.sessions, thresholds.sittingRestGapMinutes).filter(
    (sitting) => dayOf(sitting) >= firstDay,
  );
  const long = sittings.filter((sitting) => minutesOf(sitting) > cap);
  return examination("therapy", (ask) => {
    const recorded = {
      name: "sittings",
      text: `${counted(sittings.length, "sitting")} since ${dayInWords(firstDay)}; sessions closer together than ${thresholds.sittingRestGapMinutes} minutes are one.`,
      holds: sittings.length > 0,
      value: sittings.length,
      unit: "1",
      source: thresholds.sources.sittingRestGapMinutes,
    };
    if (!ask(recorded)) return undefined;
    const longest = Math.max(...sittings.map(minutesOf));
    const over = {
      name: "longest-minutes",
      text: `The longest took ${plainNumber(longest)} minutes; ${long.length} took longer than ${cap}.`,
      holds: long.length > 0,
      value: Math.round(longest * 100) / 100,
      threshold: cap,
      unit: "min",
      source: thresholds.sources.longSittingMinutes,
    };
    return ask(over) ? findingOf(long, picture) : undefined;
  });
}

function findingOf(long: readonly Sitting[], { thresholds }: Picture): Finding | undefined {
  const cap = thresholds.longSittingMinutes;
  const [first] = long;
  const latest = long.at(-1);
  if (first === undefined || latest === undefined) return undefined;
  const longest = plainNumber(Math.max(...long.map(minutesOf)));
  const evidence = long.slice(-MOST_SHOWN).map((sitting) => ({
    name: "sitting-minutes",
    text: `${dayInWords(dayOf(sitting))}: ${plainNumber(minutesOf(sitting))} minutes in ${counted(sitting.sessions.length, "session")}.`,
    value: Math.round(minutesOf(sitting) * 100) / 100,
    unit: "min",
    reference: referenceOf(sitting),
  }));
  return {
    rule: longSitting.code,
    subject: "therapy",
    severity: "review",
    safety: false,
    sinceDay: dayOf(first),
    text: `Recorded use shows ${counted(long.length, "sitting")} longer than ${cap} minutes since ${dayInWords(dayOf(first))}; the longest took ${longest} minutes.`,
    evidence,
    clearsWhen: `No sitting is longer than ${cap} minutes for ${counted(thresholds.longSittingWindowDays, "day")}.`,
    focus: referenceOf(latest),
  };
}

function minutesOf(sitting: Sitting): number {
  return (sitting.endMs - sitting.startMs) / 60_000;
}

function dayOf(sitting: Sitting): LocalDay {
  return sitting.sessions[0]?.localDay ?? "";
}

function referenceOf(sitting: Sitting): string {
  return `Observation/${sitting.sessions[0]?.sessionId}`;
}
