import { expect, test } from "vitest";
import { codeSystemResources } from "../../../src/fhir/terminology/code-systems.ts";
import { valueSetResources } from "../../../src/fhir/terminology/value-sets.ts";

test("every code system has a value set of all its codes, under an address of its own", () => {
  const included = valueSetResources().map((one) => one.compose?.include.map((include) => include.system));
  expect(included).toEqual(codeSystemResources().map((one) => [one.url]));
  expect(new Set(valueSetResources().map((one) => one.url)).size).toBe(included.length);
});
