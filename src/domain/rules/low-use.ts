import { type Measure, sessionsCompleted } from "../adherence.ts";
import { type DayState, dayStates } from "../day-state.ts";
import type { Finding } from "../finding.ts";
import { addDays } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import { firstDayOfPicture } from "../picture-window.ts";
import type { LocalDay } from "../time.ts";
import { examination } from "./examination.ts";
import type { Examination, Rule, Step } from "./rule.ts";
import { counted, dayInWords, percent } from "./wording.ts";

/**
 * Fewer of the asked sessions recorded than the threshold, over the trailing full days `[today - N, today)`.
 * Silent where the measure has no ratio (too little of the time was read), and while therapy was not yet in place on the
 * first day of the window: a new starter gets the whole window before anyone is asked to look.
 */
export const lowUse: Rule = {
  code: "low-use",
  title: "Recorded use below the threshold",
  source: "Threshold and window: choice of this service, no published source.",
  examine: (picture) => [examineUse(picture)],
};

function examineUse(picture: Picture): Examination {
  const { today, thresholds } = picture;
  const firstDay = addDays(today, -thresholds.lowUseWindowDays);
  const days = dayStates(picture, firstDay, today);
  const measure = sessionsCompleted(days, firstDay, today, thresholds);
  const window = `${counted(thresholds.lowUseWindowDays, "day")} up to ${dayInWords(addDays(today, -1))}`;
  return examination("therapy", (ask) => {
    const opening = openingOf(days, firstDay);
    const inPlace = {
      name: "in-place",
      text:
        opening === undefined
          ? `Plan and device were in place on ${dayInWords(firstDay)}, the first of the ${window}.`
          : `On ${dayInWords(firstDay)}, the first of the ${window}, there was no ${opening === "no-plan" ? "plan" : "device"} yet.`,
      holds: opening === undefined,
      source: thresholds.sources.lowUseWindowDays,
    };
    if (!ask(inPlace) || !ask(coverageStep(measure, thresholds, window))) return undefined;
    const { numerator, denominator, ratio = 0 } = measure;
    const low = {
      name: "share-done",
      text: `${numerator} of ${counted(denominator, "asked session")} that the records can tell about were recorded: ${percent(ratio)}.`,
      holds: ratio < thresholds.lowUseBelowShare,
      value: ratio,
      threshold: thresholds.lowUseBelowShare,
      unit: "1",
      source: thresholds.sources.lowUseBelowShare,
    };
    return ask(low) ? findingOf(measure, days, window, picture) : undefined;
  });
}

function coverageStep(measure: Measure, thresholds: Picture["thresholds"], window: string): Step {
  const { coverage, eligible, absentReason } = measure;
  const text =
    absentReason === "nothing-asked"
      ? `Nothing was asked for in the ${window}.`
      : `Records were read for ${percent(coverage ?? 0)} of the ${counted(eligible, "session")} asked for in the ${window}.`;
  return {
    name: "coverage",
    text,
    holds: measure.ratio !== undefined,
    ...(coverage !== undefined && { value: coverage }),
    threshold: thresholds.minimumCoverageShare,
    unit: "1",
    source: thresholds.sources.minimumCoverageShare,
  };
}

function findingOf(measure: Measure, days: readonly DayState[], window: string, picture: Picture): Finding {
  const { thresholds } = picture;
  const plan = days.findLast((day) => day.planId !== undefined)?.planId;
  const { numerator, denominator, eligible, ratio = 0, coverage = 0 } = measure;
  const threshold = percent(thresholds.lowUseBelowShare);
  return {
    rule: lowUse.code,
    subject: "therapy",
    severity: "review",
    safety: false,
    sinceDay: firstDayOfLowUse(picture),
    text: `Recorded use: ${numerator} of ${counted(denominator, "asked session")} (${percent(ratio)}) in the ${window}; the threshold is ${threshold}. Records were read for ${percent(coverage)} of the ${counted(eligible, "session")} asked for.`,
    evidence: [
      {
        name: "sessions-done",
        text: `${numerator} of ${denominator} asked sessions that the records can tell about were recorded.`,
        value: numerator,
        unit: "1",
        ...(plan !== undefined && { reference: `CarePlan/${plan}` }),
      },
      {
        name: "sessions-asked-known",
        text: "Asked sessions that the records can tell about.",
        value: denominator,
        unit: "1",
      },
      { name: "sessions-asked", text: "Asked sessions, those without records included.", value: eligible, unit: "1" },
    ],
    clearsWhen: `Recorded use reaches ${threshold} of the asked sessions over ${counted(thresholds.lowUseWindowDays, "day")}, or too little has been read to tell.`,
    ...(plan !== undefined && { focus: `CarePlan/${plan}` }),
  };
}

/** Why therapy was not yet in place on the first day of a window; undefined when it was. */
function openingOf(days: readonly DayState[], firstDay: LocalDay): "no-plan" | "no-device" | undefined {
  const opening = days.find((state) => state.day === firstDay)?.excluded;
  return opening === "no-plan" || opening === "no-device" ? opening : undefined;
}

function lowOn(day: LocalDay, days: readonly DayState[], { thresholds }: Picture): Measure | undefined {
  const firstDay = addDays(day, -thresholds.lowUseWindowDays);
  if (openingOf(days, firstDay) !== undefined) return undefined;
  const measure = sessionsCompleted(days, firstDay, day, thresholds);
  return measure.ratio !== undefined && measure.ratio < thresholds.lowUseBelowShare ? measure : undefined;
}

// The first of the unbroken run of days, today the last, on which it would have been found. It goes no further back than
// a picture's sessions do: beyond them a day would look unused.
function firstDayOfLowUse(picture: Picture): LocalDay {
  const { today, thresholds } = picture;
  const firstDay = firstDayOfPicture(today, thresholds);
  const days = dayStates(picture, firstDay, today);
  let since = today;
  for (let day = addDays(today, -1); addDays(day, -thresholds.lowUseWindowDays) >= firstDay; day = addDays(day, -1)) {
    if (lowOn(day, days, picture) === undefined) break;
    since = day;
  }
  return since;
}
