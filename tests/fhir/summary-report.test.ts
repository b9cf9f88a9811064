import { validateResource } from "@medplum/core";
import { beforeAll, describe, expect, test } from "vitest";
import type { ReleaseBody } from "../../src/domain/population/release-body.ts";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { summaryReport } from "../../src/fhir/summary-report.ts";

// https://hl7.org/fhir/R4/measurereport.html; masked: https://hl7.org/fhir/R4/valueset-data-absent-reason.html.
const dimension = (name: string) => ({
  name,
  members: [
    { key: "all", title: "All", level: 0 },
    { key: "west", title: "West", level: 1 },
  ],
});

const body: ReleaseBody = {
  number: 4,
  period: { code: "2026-05", kind: "month", firstDay: "2026-05-01", endDay: "2026-06-01" },
  policy: { name: "hes", text: "" },
  ruleVersion: "7",
  cautions: [],
  star: "",
  figures: [
    { code: "people", title: "People", definition: "", unit: "1", kind: "count" },
    { code: "dose.low", title: "Low", definition: "", unit: "1", kind: "count", outOf: "people" },
    { code: "dose.median", title: "Median", definition: "", unit: "%", kind: "median" },
  ],
  tables: [
    {
      figure: "dose.low",
      dimensions: [dimension("place")],
      rows: [
        { at: { place: "all" }, count: 20, percent: null },
        { at: { place: "west" }, count: null, percent: null },
      ],
    },
    {
      figure: "dose.low",
      dimensions: [dimension("place"), dimension("age")],
      rows: [{ at: { place: "west", age: "all" }, count: null }],
    },
    {
      figure: "dose.median",
      dimensions: [dimension("place")],
      rows: [
        { at: { place: "all" }, count: 60, median: 71.5 },
        { at: { place: "west" }, count: 0 },
      ],
    },
  ],
};

const masked = {
  extension: [{ url: "http://hl7.org/fhir/StructureDefinition/data-absent-reason", valueCode: "masked" }],
};

beforeAll(() => {
  createDefinitions({ types: "default", profiles: () => [] });
});

describe("a summary report", () => {
  const report = summaryReport("dose", body);
  const [low, median] = report?.group ?? [];

  test("is of the days of the release, and valid by R4", () => {
    expect(report).toMatchObject({
      type: "summary",
      status: "complete",
      period: { start: "2026-05-01", end: "2026-05-31" },
    });
    if (report !== undefined) expect(() => validateResource(report)).not.toThrow();
  });

  test("has a group for each figure of the measure, and no subject", () => {
    expect(report?.group?.map(({ id }) => id)).toEqual(["dose.low", "dose.median"]);
    expect(report).not.toHaveProperty("subject");
  });

  test("says of a hidden count that it is masked, and gives none", () => {
    const [all, west] = low?.stratifier?.[0]?.stratum ?? [];
    expect(all?.population?.[0]).toMatchObject({ count: 20 });
    expect(west).toMatchObject({ value: { text: "West" }, population: [{ _count: masked }], measureScore: masked });
    expect(west?.population?.[0]).not.toHaveProperty("count");
  });

  test("names both dimensions of a stratum that has two", () => {
    expect(low?.stratifier?.[1]?.stratum?.[0]?.component).toEqual([
      { code: { text: "place" }, value: { text: "West" } },
      { code: { text: "age" }, value: { text: "All" } },
    ]);
  });

  test("gives a median in its unit, and nothing where there is none", () => {
    expect(median?.measureScore).toEqual({ value: 71.5, unit: "%", system: "http://unitsofmeasure.org", code: "%" });
    expect(median?.stratifier?.[0]?.stratum?.[1]).not.toHaveProperty("measureScore");
  });

  test("of a measure that was not released there is none", () => {
    expect(summaryReport("days-used", body)).toBeUndefined();
  });
});
