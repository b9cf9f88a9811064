import type {
  MeasureReport,
  MeasureReportGroup,
  MeasureReportGroupPopulation,
  MeasureReportGroupStratifier,
  MeasureReportGroupStratifierStratum,
  Quantity,
} from "@medplum/fhirtypes";
import { addDays } from "../domain/local-day.ts";
import type { FigureText } from "../domain/population/figures.ts";
import type { ReleaseBody, ReleaseRow, ReleaseTable } from "../domain/population/release-body.ts";
import { measureSystems, measureUrl } from "./measure.ts";
import { measureReportUrls } from "./measure-report.ts";
import { canonicalBase } from "./terminology/canonical.ts";

/** System of the identifiers by which reports name their release. */
const releaseSystem = `${canonicalBase}/sid/release`;

/** Whether a resource is a report of a release: whoever may read reports of releases alone sees it. */
export function isReleaseReport(resource: unknown): boolean {
  const { identifier } = (resource ?? {}) as { identifier?: unknown };
  return (
    Array.isArray(identifier) &&
    identifier.some((one) => (one as { system?: unknown } | null)?.system === releaseSystem)
  );
}

const absentReasonUrl = "http://hl7.org/fhir/StructureDefinition/data-absent-reason";

/** Value that is there and not told, for the sake of people's privacy (https://hl7.org/fhir/R4/valueset-data-absent-reason.html). */
const masked = { extension: [{ url: absentReasonUrl, valueCode: "masked" }] };

/**
 * One measure of everybody, from a release alone: a group for each figure of it (a band of the measure, its median), whose id
 * is the figure's code, stratified by the dimensions of its tables. A hidden count is absent with the reason `masked`.
 * Undefined where the release has no figure of the measure.
 */
export function summaryReport(measure: string, body: ReleaseBody): MeasureReport | undefined {
  const figures = body.figures.filter(({ code }) => code.startsWith(`${measure}.`));
  if (figures.length === 0) return undefined;
  const { number, period, ruleVersion } = body;
  return {
    resourceType: "MeasureReport",
    extension: [{ url: measureReportUrls.thresholds, valueString: ruleVersion }],
    identifier: [{ system: releaseSystem, value: String(number) }],
    status: "complete",
    type: "summary",
    measure: measureUrl(measure),
    period: { start: period.firstDay, end: addDays(period.endDay, -1) },
    group: figures.map((figure) => groupOf(figure, body)),
  };
}

function groupOf(figure: FigureText, { tables }: ReleaseBody): MeasureReportGroup {
  const own = tables.filter((table) => table.figure === figure.code);
  const whole = own.flatMap((table) => table.rows.filter((row) => isWhole(table, row)))[0];
  const stratifier = own.flatMap((table) => (table.dimensions.length === 0 ? [] : [stratifierOf(table, figure)]));
  return {
    id: figure.code,
    code: { text: figure.title },
    ...(whole === undefined ? {} : countsOf(whole, figure)),
    ...(stratifier.length === 0 ? {} : { stratifier }),
  };
}

function isWhole({ dimensions }: ReleaseTable, { at }: ReleaseRow): boolean {
  return dimensions.every(({ name, members }) => members[0]?.key === at[name]);
}

/** How many, and the percentage or median of them where there is one. */
function countsOf({ count, percent, median }: ReleaseRow, figure: FigureText) {
  const code = { coding: [{ system: measureSystems.population, code: populationOf(figure) }] };
  const population = (count === null ? { code, _count: masked } : { code, count }) as MeasureReportGroupPopulation;
  const score = figure.kind === "median" ? quantityOf(median, figure.unit) : quantityOf(percent, "%");
  return { population: [population], ...(score === undefined ? {} : { measureScore: score }) };
}

/** Whoever is in a band meets it; of a median's people nothing is asked. */
function populationOf({ kind }: FigureText): string {
  return kind === "median" ? "initial-population" : "numerator";
}

function quantityOf(value: number | null | undefined, unit: string): Quantity | undefined {
  if (value === undefined) return undefined;
  return value === null ? masked : { value, unit, system: "http://unitsofmeasure.org", code: unit };
}

function stratifierOf(table: ReleaseTable, figure: FigureText): MeasureReportGroupStratifier {
  const titleOf = (name: string, key: string | undefined) =>
    table.dimensions.find((one) => one.name === name)?.members.find((member) => member.key === key)?.title ?? "";
  const [only] = table.dimensions;
  const names = table.dimensions.map(({ name }) => name);
  return {
    code: [{ text: names.join(" and ") }],
    stratum: table.rows.map(
      (row): MeasureReportGroupStratifierStratum => ({
        ...(names.length === 1 && only !== undefined
          ? { value: { text: titleOf(only.name, row.at[only.name]) } }
          : {
              component: names.map((name) => ({ code: { text: name }, value: { text: titleOf(name, row.at[name]) } })),
            }),
        ...countsOf(row, figure),
      }),
    ),
  };
}
