import { expect, test } from "vitest";
import { startVisit, structureFault, valueFault } from "../../../src/fhir/checks/findings.ts";

test("a visit begins with the contained resources that can be pointed to, and nothing found", () => {
  const contained = [{ resourceType: "Patient", id: "p" }, { id: "x" }, null, 5];
  const visit = startVisit({ contained }, () => undefined);
  expect([...visit.contained]).toEqual([["p", "Patient"]]);
  expect([visit.errors, visit.warnings]).toEqual([[], undefined]);
  expect(startVisit({}, () => undefined, "warnings").warnings).toEqual([]);
});

// https://hl7.org/fhir/R4/http.html#create: 400 where "basic FHIR validation rules" fail; the codes stand at
// https://hl7.org/fhir/R4/valueset-issue-type.html.
test("what breaks the basic rules answers 400 under the code that R4 has for it", () => {
  const visit = startVisit({}, () => undefined);
  structureFault(visit, "Patient.a", "x");
  valueFault(visit, "Patient.b", "y");
  expect(visit.errors).toEqual([
    { kind: "structure", detail: "x", at: "Patient.a", status: 400 },
    { kind: "value", detail: "y", at: "Patient.b", status: 400 },
  ]);
});
