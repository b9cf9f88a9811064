import { type ChangeSignal, type ChartPoint, changeSignal, type DaySignal } from "../change-signal/change-signal.ts";
import { changeSignalNote } from "../change-signal/diagnostic.ts";
import type { Direction } from "../change-signal/run-rules.ts";
import type { Finding } from "../finding.ts";
import { addDays } from "../local-day.ts";
import type { Picture } from "../picture.ts";
import { examination } from "./examination.ts";
import type { Examination, Step } from "./rule.ts";
import { counted, dayInWords, plainNumber } from "./wording.ts";

/** Days after its last point for which a signal stands. Choice of this service, no published source. */
const standsDays = 7;

/** What fired, in words. */
const ruleWords: Readonly<Record<DaySignal["rule"], string>> = {
  "beyond-limit": "a day beyond the limit",
  "two-of-three": "two of three days far from the centre",
  "four-of-five": "four of five days away from the centre",
  "run-one-side": "a run of days on one side of the centre",
  trend: "seven days each further than the one before",
  "ewma-beyond-limit": "the moving average beyond its limit",
  "cusum-beyond-decision": "the cumulative sum beyond its decision interval",
};

/** What `use-rising` and `use-falling` share: they differ in the direction of the signal alone. */
export function changeExamination(rule: string, direction: Direction, picture: Picture): Examination[] {
  const { thresholds, today } = picture;
  const source = thresholds.sources.changeSignal;
  return [
    examination("therapy", (ask) => {
      const isOn = thresholds.changeSignal.on;
      const text = isOn
        ? "The change signal is switched on."
        : "The change signal is switched off, as it is by default.";
      if (!ask({ name: "switched-on", text, holds: isOn, source })) return undefined;
      const signal = changeSignal(picture);
      if (!ask(baselineStep(signal, thresholds.changeSignal.baselineDays))) return undefined;
      const { latestSignal: latest } = signal;
      const stands = latest !== undefined && latest.day >= addDays(today, -standsDays);
      const found = stands && latest.direction === direction;
      if (!ask({ name: "signal", text: signalText(latest, stands), holds: found }) || latest === undefined) {
        return undefined;
      }
      return findingOf(rule, direction, signal);
    }),
  ];
}

function baselineStep(signal: ChangeSignal, needed: number): Step {
  const since = signal.baselineDay === undefined ? "" : ` since ${dayInWords(signal.baselineDay)}`;
  const texts = {
    "no-plan": "No plan is in force.",
    "baseline-incomplete": `The baseline${since} has ${counted(signal.baselineKnownDays, "known day")} of ${needed}.`,
    "baseline-too-old": `The baseline${since} lies too far back; somebody must set it anew.`,
  };
  const { absentReason, centre = 0, sigma = 0 } = signal;
  const complete = `The baseline${since}: ${plainNumber(centre)} sessions a day, standard deviation ${plainNumber(sigma)}.`;
  return {
    name: "baseline",
    text: absentReason === undefined ? complete : texts[absentReason],
    holds: absentReason === undefined,
    value: signal.baselineKnownDays,
    threshold: needed,
    unit: "d",
  };
}

function signalText(latest: ChangeSignal["latestSignal"], stands: boolean): string {
  if (latest === undefined) return "No day gave a signal.";
  const words = `${ruleWords[latest.rule]}, ${latest.direction === "up" ? "more" : "less"} use`;
  return `The last signal was on ${dayInWords(latest.day)} (${words})${stands ? "." : `, more than ${standsDays} days ago.`}`;
}

/** Told by the first day of the run, so that the words stay while it goes on. */
function findingOf(rule: string, direction: Direction, signal: ChangeSignal): Finding | undefined {
  const first = firstOfRun(signal.points, direction);
  if (first?.signal === undefined) return undefined;
  const { centre = 0, sigma = 0, method } = signal;
  const fired = ruleWords[first.signal.rule];
  return {
    rule,
    subject: "therapy",
    severity: "review",
    safety: false,
    sinceDay: first.day,
    text: `Recorded use has ${direction === "up" ? "risen" : "fallen"}: ${dayInWords(first.day)}, with ${counted(first.value, "session")}, gave a signal (${fired}). The baseline was ${plainNumber(centre)} sessions a day. ${changeSignalNote()}`,
    evidence: [
      { name: "chart-centre", text: "Sessions a day in the baseline.", value: rounded(centre), unit: "1" },
      { name: "chart-sigma", text: `Standard deviation by the ${method} chart.`, value: rounded(sigma), unit: "1" },
      { name: "first-signal", text: `First signal on ${dayInWords(first.day)}: ${fired}.` },
    ],
    clearsWhen: `No signal in this direction for ${counted(standsDays, "day")}, or somebody sets the baseline anew.`,
  };
}

/** The first of the points that signal in the direction, back to the last gap longer than a signal stands. */
function firstOfRun(points: readonly ChartPoint[], direction: Direction): ChartPoint | undefined {
  let first: ChartPoint | undefined;
  for (const point of points.filter((one) => one.signal?.direction === direction).reverse()) {
    if (first !== undefined && addDays(point.day, standsDays) < first.day) break;
    first = point;
  }
  return first;
}

function rounded(value: number): number {
  return Math.round(value * 100) / 100;
}
