import { expect, test } from "vitest";
import { packedSearchParameters } from "../../../src/fhir/r4/pack-search-parameters.ts";

// https://hl7.org/fhir/R4/searchparameter-registry.html
test("a parameter is packed on one line, without its words", () => {
  const line = packedSearchParameters()
    .split("\n")
    .find((one) => one.includes("SearchParameter/Observation-based-on"));
  expect(Object.keys(JSON.parse(line ?? "{}"))).toEqual(["code", "type", "url", "base", "expression", "target"]);
});
