import { expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { measureResources, measureTexts, measureUrl } from "../../src/fhir/measure.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";

const definitions = createDefinitions({ types: ["Measure"] });

test("every measure is valid R4 and stands at its own address", () => {
  for (const measure of measureResources()) {
    expect(checkResource(definitions, measure, "Measure")).toEqual([]);
    expect(measure.url).toBe(measureUrl(measure.id));
  }
});

test("the measures are the six by their names", () => {
  expect(measureTexts.map((one) => one.code)).toEqual([
    "days-used",
    "sessions-completed",
    "sessions-recorded",
    "dose",
    "settings-concordance",
    "all-facets",
  ]);
});

// https://hl7.org/fhir/R4/valueset-measure-population.html and valueset-measure-scoring.html
test("each says what it counts: eligible, known, and what is counted of those", () => {
  for (const { group, scoring } of measureResources()) {
    expect(group?.[0]?.population?.map((one) => one.code?.coding?.[0]?.code)).toEqual([
      "initial-population",
      "denominator",
      "numerator",
    ]);
    expect(["proportion", "ratio"]).toContain(scoring?.coding?.[0]?.code);
  }
});

test("each carries the caution and says what becomes of the unknown", () => {
  for (const { disclaimer, guidance } of measureResources()) {
    expect(disclaimer).toMatch(/not effectiveness.*licensed clinician/);
    expect(guidance).toMatch(/never counted as missed/);
  }
});
