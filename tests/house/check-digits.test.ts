import { describe, expect, test } from "vitest";
import { hasLoincCheckDigit, isSnomedConceptId } from "./check-digits.ts";

describe("LOINC check digits", () => {
  // Printed by FHIR R4 in its vital-signs profiles (hl7.org/fhir/R4/observation-vitalsigns.html).
  test.each(["85353-1", "9279-1", "8867-4", "2708-6", "8310-5", "8302-2", "9843-4", "29463-7", "39156-5", "85354-9"])(
    "%s of the R4 vital signs holds",
    (code) => {
      expect(hasLoincCheckDigit(code)).toBe(true);
    },
  );

  test.each(["8867-5", "8876-4", "2708-7", "8867", "8867-44", "", "a-1"])("%s does not hold", (code) => {
    expect(hasLoincCheckDigit(code)).toBe(false);
  });
});

describe("SNOMED CT concept identifiers", () => {
  // Printed by FHIR R4 in its own examples and pages (hl7.org/fhir/R4/snomedct.html, observation-example-*, condition-example*).
  test.each([
    "404684003",
    "138875005",
    "900000000000003001",
    "39065001",
    "24484000",
    "368209003",
    "271649006",
    "22298006",
  ])("%s of the R4 specification holds", (code) => {
    expect(isSnomedConceptId(code)).toBe(true);
  });

  // The last is a description identifier: right check digit, other partition.
  test.each(["404684004", "404648003", "12345", "0404684003", "", "680946014"])("%s does not hold", (code) => {
    expect(isSnomedConceptId(code)).toBe(false);
  });
});
