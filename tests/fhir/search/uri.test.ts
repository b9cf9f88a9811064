import { expect, test } from "vitest";
import { urisOf, uriTerm } from "../../../src/fhir/search/uri.ts";

// https://hl7.org/fhir/R4/search.html#uri: "case and accent sensitive", "exact match".
test("a uri answers whole and with its case", () => {
  const terms = urisOf("http://acme.org/fhir/ValueSet/123", "1");
  expect(terms).toEqual([uriTerm("1", "http://acme.org/fhir/ValueSet/123")]);
  expect(terms).not.toContain(uriTerm("1", "http://acme.org/fhir/valueset/123"));
  expect(terms).not.toContain(uriTerm("1", "http://acme.org/fhir/ValueSet/"));
});

test("a profile that was claimed with its version answers without it too", () => {
  expect(urisOf("http://acme.org/StructureDefinition/a|1.0", "1")).toContain(
    uriTerm("1", "http://acme.org/StructureDefinition/a"),
  );
});

test("what is no text gives nothing", () => {
  expect(urisOf({ reference: "x" }, "1")).toEqual([]);
});
