import { readFileSync } from "node:fs";
import { expect, test } from "vitest";
import { packedSearchParameters, publishedSearchParameters } from "../../../src/fhir/r4/pack-search-parameters.ts";
import { officialSearchParameters } from "../../../src/fhir/r4/search-parameters.ts";

test("the committed file is what the definitions give now; `npm run definitions` makes it anew", () => {
  const file = readFileSync(new URL("../../../src/fhir/r4/search-parameters.ndjson", import.meta.url), "utf8");
  expect(file === packedSearchParameters()).toBe(true);
  expect(file.length).toBeLessThan(600_000);
});

// https://hl7.org/fhir/R4/searchparameter-registry.html
test("every parameter that R4 publishes is there with what it says of its kind and place", () => {
  const published = publishedSearchParameters();
  expect(officialSearchParameters()).toHaveLength(published.length);
  officialSearchParameters().forEach((one, i) => {
    expect(published[i], one.url).toMatchObject(one);
    for (const name of ["expression", "target", "component"] as const) expect(one[name]).toEqual(published[i]?.[name]);
  });
});
