import { describe, expect, test } from "vitest";
import type { Measure } from "../../src/domain/adherence.ts";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { measureReport, measureReportUrls } from "../../src/fhir/measure-report.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";

const definitions = createDefinitions({ types: ["MeasureReport"] });
const measure: Measure = {
  code: "sessions-completed",
  counts: "slots",
  firstDay: "2026-03-01",
  endDay: "2026-03-29",
  numerator: 26,
  denominator: 40,
  eligible: 44,
  coverage: 40 / 44,
  ratio: 0.65,
  bounds: { lowest: 26 / 44, highest: 30 / 44 },
  ruleVersion: "defaults-2",
};
const whole = { byPart: [], byPlan: [] };

describe("an individual report", () => {
  const report = measureReport("anna", measure, whole);

  test("is valid R4, about one patient, and its period names the last day inside", () => {
    expect(checkResource(definitions, report, "MeasureReport")).toEqual([]);
    expect(report).toMatchObject({
      status: "complete",
      type: "individual",
      measure: "https://tidegate.example/fhir/Measure/sessions-completed",
      subject: { reference: "Patient/anna" },
      period: { start: "2026-03-01", end: "2026-03-28" },
    });
  });

  test("gives eligible, known and done as populations, and the score", () => {
    const [group] = report.group ?? [];
    expect(group?.population?.map((one) => [one.code?.coding?.[0]?.code, one.count])).toEqual([
      ["initial-population", 44],
      ["denominator", 40],
      ["numerator", 26],
    ]);
    expect(group?.measureScore).toMatchObject({ value: 0.65, code: "1" });
  });

  test("carries coverage, bounds and the thresholds it was made with", () => {
    expect(report.extension).toEqual([{ url: measureReportUrls.thresholds, valueString: "defaults-2" }]);
    expect(report.group?.[0]?.extension).toEqual([
      { url: measureReportUrls.coverage, valueDecimal: 0.909091 },
      {
        url: measureReportUrls.bounds,
        extension: [
          { url: "lowest", valueDecimal: 0.590909 },
          { url: "highest", valueDecimal: 0.681818 },
        ],
      },
    ]);
  });

  test("names no moment of its making", () => {
    expect(JSON.stringify(measureReport("anna", measure, whole))).toBe(JSON.stringify(report));
    expect(report).not.toHaveProperty("date");
  });
});

// Codes of https://hl7.org/fhir/R4/valueset-data-absent-reason.html
test.each([
  ["nothing-asked", "not-applicable"],
  ["nothing-known", "temp-unknown"],
  ["low-coverage", "temp-unknown"],
] as const)("a score that is absent for %s says %s, and is never 0", (absentReason, code) => {
  const { ratio: _, ...rest } = measure;
  const [group] = measureReport("anna", { ...rest, absentReason }, whole).group ?? [];
  expect(group?.measureScore).toEqual({
    extension: [{ url: "http://hl7.org/fhir/StructureDefinition/data-absent-reason", valueCode: code }],
  });
  expect(group?.extension).toContainEqual({ url: measureReportUrls.absentReason, valueCode: absentReason });
});

test("parts and plans stand beside the whole as strata with their own days", () => {
  const stratum = { ...measure, numerator: 20, denominator: 20, eligible: 22, ratio: 1 };
  const report = measureReport("anna", measure, {
    byPart: [{ name: "morning", measure: stratum }],
    byPlan: [{ name: "CarePlan/1", measure: { ...stratum, endDay: "2026-03-15" } }],
  });
  expect(checkResource(definitions, report, "MeasureReport")).toEqual([]);
  expect(report.group?.[0]?.stratifier?.map((one) => [one.code?.[0]?.text, one.stratum?.[0]?.value?.text])).toEqual([
    ["day-part", "morning"],
    ["plan", "CarePlan/1"],
  ]);
  expect(report.group?.[0]?.stratifier?.[1]?.stratum?.[0]?.extension?.[0]?.valuePeriod?.end).toBe("2026-03-14");
});
