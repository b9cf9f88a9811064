import type {
  Extension,
  MeasureReport,
  MeasureReportGroup,
  MeasureReportGroupPopulation,
  MeasureReportGroupStratifier,
  Quantity,
} from "@medplum/fhirtypes";
import type { Measure } from "../domain/adherence.ts";
import { addDays } from "../domain/local-day.ts";
import type { LocalDay } from "../domain/time.ts";
import { measureSystems, measureUrl } from "./measure.ts";
import { extensionUrl } from "./terminology/canonical.ts";

/** A measure of one part of what the whole counts: a day part, or the days of one plan. */
export interface MeasureStratum {
  /** Code of the day part, or `CarePlan/id`. */
  readonly name: string;
  readonly measure: Measure;
}

/** Extensions of a report: what must stand beside a figure so that it is read honestly. */
export const measureReportUrls = {
  coverage: extensionUrl("measure-coverage"),
  bounds: extensionUrl("measure-bounds"),
  absentReason: extensionUrl("measure-absent-reason"),
  thresholds: extensionUrl("thresholds-version"),
} as const;

const absentReasonUrl = "http://hl7.org/fhir/StructureDefinition/data-absent-reason";

/** R4's own word (https://hl7.org/fhir/R4/valueset-data-absent-reason.html) for each of our reasons. */
const absentReasons: Readonly<Record<NonNullable<Measure["absentReason"]>, string>> = {
  "nothing-asked": "not-applicable",
  "nothing-known": "temp-unknown",
  "low-coverage": "temp-unknown",
};

/**
 * An individual report of one measure (https://hl7.org/fhir/R4/measurereport.html): eligible as the initial population,
 * known as the denominator, and the score only where enough is known. It holds no moment of its making, so the same
 * records give the same bytes.
 */
export function measureReport(
  patientId: string,
  measure: Measure,
  strata: { readonly byPart: readonly MeasureStratum[]; readonly byPlan: readonly MeasureStratum[] },
): MeasureReport {
  const stratifier = [stratifierOf("day-part", strata.byPart), stratifierOf("plan", strata.byPlan)].filter(
    (one) => (one.stratum ?? []).length > 0,
  );
  return {
    resourceType: "MeasureReport",
    extension: [{ url: measureReportUrls.thresholds, valueString: measure.ruleVersion }],
    status: "complete",
    type: "individual",
    measure: measureUrl(measure.code),
    subject: { reference: `Patient/${patientId}` },
    period: { start: measure.firstDay, end: lastDay(measure.endDay) },
    group: [{ ...groupOf(measure), ...(stratifier.length === 0 ? {} : { stratifier }) }],
  };
}

/** FHIR writes the last day inside. */
function lastDay(endDay: LocalDay): LocalDay {
  return addDays(endDay, -1);
}

function groupOf(measure: Measure): MeasureReportGroup {
  const extension = honestyOf(measure);
  return {
    ...(extension.length === 0 ? {} : { extension }),
    population: populationsOf(measure),
    measureScore: scoreOf(measure),
  };
}

function populationsOf({ eligible, denominator, numerator }: Measure): MeasureReportGroupPopulation[] {
  const population = (code: string, count: number) => ({
    code: { coding: [{ system: measureSystems.population, code }] },
    count,
  });
  return [
    population("initial-population", eligible),
    population("denominator", denominator),
    population("numerator", numerator),
  ];
}

function honestyOf({ coverage, bounds, absentReason }: Measure): Extension[] {
  return [
    ...(coverage === undefined ? [] : [{ url: measureReportUrls.coverage, valueDecimal: rounded(coverage) }]),
    ...(bounds === undefined
      ? []
      : [
          {
            url: measureReportUrls.bounds,
            extension: [
              { url: "lowest", valueDecimal: rounded(bounds.lowest) },
              { url: "highest", valueDecimal: rounded(bounds.highest) },
            ],
          },
        ]),
    ...(absentReason === undefined ? [] : [{ url: measureReportUrls.absentReason, valueCode: absentReason }]),
  ];
}

function scoreOf({ ratio, absentReason }: Measure): Quantity {
  if (ratio !== undefined) {
    return { value: rounded(ratio), unit: "1", system: "http://unitsofmeasure.org", code: "1" };
  }
  return { extension: [{ url: absentReasonUrl, valueCode: absentReasons[absentReason ?? "nothing-known"] }] };
}

function stratifierOf(name: string, strata: readonly MeasureStratum[]): MeasureReportGroupStratifier {
  return {
    code: [{ text: name }],
    stratum: strata.map((stratum) => ({
      value: { text: stratum.name },
      extension: [
        {
          url: extensionUrl("stratum-period"),
          valuePeriod: { start: stratum.measure.firstDay, end: lastDay(stratum.measure.endDay) },
        },
      ],
      population: populationsOf(stratum.measure),
      measureScore: scoreOf(stratum.measure),
    })),
  };
}

/** Six decimals: more would be the noise of binary fractions. */
function rounded(share: number): number {
  return Math.round(share * 1e6) / 1e6;
}
