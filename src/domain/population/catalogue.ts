import type { MeasureCode } from "../adherence.ts";
import type { FigureText } from "./figures.ts";

/** What is left of a person's measure for a figure: the band of its ratio, or that it has none. */
export const bandKeys = ["low", "moderate", "high", "not-known"] as const;

const bandTitles: Readonly<Record<(typeof bandKeys)[number], string>> = {
  low: "under 35 %",
  moderate: "35 % to under 80 %",
  high: "80 % and above",
  "not-known": "not known",
};

const measureTitles: Readonly<Record<MeasureCode, string>> = {
  "days-used": "Days used",
  "sessions-completed": "Asked sessions completed",
  "sessions-recorded": "Sessions recorded to asked",
  dose: "Prescribed cycles delivered",
  "settings-concordance": "Sessions with the prescribed settings",
  "all-facets": "Days on which all that was asked was done",
};

/** Every measure that people are counted in bands of, in the order of the reports. */
export const bandedMeasures = Object.keys(measureTitles) as readonly MeasureCode[];

const count = (code: string, title: string, definition: string, outOf?: string): FigureText => ({
  code,
  title,
  definition,
  unit: "1",
  kind: "count",
  ...(outOf === undefined ? {} : { outOf }),
});

const median = (code: string, unit: "d" | "%", title: string, definition: string): FigureText => ({
  code,
  title,
  definition,
  unit,
  kind: "median",
});

const people: readonly FigureText[] = [
  count(
    "people-on-therapy",
    "People on therapy",
    "A therapy plan was in force on at least one day of the period while the person lived; days on hold count.",
  ),
  count(
    "new-starts",
    "New starts",
    "The first day ever with a therapy plan in force lies in the period. A plan after a gap is no new start.",
    "people-on-therapy",
  ),
  count(
    "stops",
    "Stops",
    "The first day from which no therapy plan is in force any more lies in the period: the plan ended and none is recorded after it, or the person died.",
  ),
  count("devices-in-use", "People with a device", "At least one device was with the person as the period ended."),
  count(
    "devices-idle",
    "People with an idle device",
    "The rule device-idle found a device of theirs unused as the period ended.",
    "devices-in-use",
  ),
];

const bands: readonly FigureText[] = bandedMeasures.flatMap((measure) =>
  bandKeys.map((band) =>
    count(
      `${measure}.${band}`,
      `${measureTitles[measure]}: ${bandTitles[band]}`,
      band === "not-known"
        ? `People on therapy whose measure ${measure} over the period has no ratio: nothing was asked, or too little is known.`
        : `People on therapy whose measure ${measure} over the period is ${bandTitles[band]}.`,
      "people-on-therapy",
    ),
  ),
);

const care: readonly FigureText[] = [
  count(
    "parts-overdue",
    "People with an overdue part",
    "At least one part was overdue for replacement as the period ended.",
  ),
  count(
    "open-safety-findings",
    "People with an open safety finding",
    "A rule of safety (used while contraindicated, plan needs hold) found something as the period ended.",
  ),
];

const medians: readonly FigureText[] = [
  median(
    "days-used.median",
    "%",
    "Median of days used",
    "Of the people on therapy whose measure days-used over the period has a ratio: the ratio, in tenths of per cent.",
  ),
  median(
    "issue-to-first-use.median",
    "d",
    "Median days from issue of a device to its first use",
    "Of the people who used a device for the first time since it was issued in the period: local days from issue to that session; of several devices the longest.",
  ),
  median(
    "finding-to-action.median",
    "d",
    "Median days from a finding to the first action on its Task",
    "Of the people on a Task of whom somebody first acted (accepted, started, put on hold, rejected, completed or cancelled it) in the period: local days since the Task was raised; of several Tasks the longest.",
  ),
];

/**
 * Every figure of a population, in the order of a release. All count persons, each once, at the organisation, with the
 * birth date and the plans that are on record when the figures are made: somebody who has moved counts where they are now.
 * Age is that of the period's first day.
 */
export const figureTexts: readonly FigureText[] = [...people, ...bands, ...care, ...medians];
