import { expect, test } from "vitest";
import { encounterClasses, genders, inpatientClass, mapped } from "../../../src/fhir/received/tables.ts";

// The tables themselves are held to the v2-to-FHIR guide in tests/published/hl7v2.test.ts.
test("a code that a table lacks has no mapping, and neither has what every object has", () => {
  expect(mapped(genders, "F")).toBe("female");
  expect(mapped(genders, "X")).toBeUndefined();
  expect(mapped(genders, "toString")).toBeUndefined();
  expect(mapped(genders, undefined)).toBeUndefined();
});

test("the class of a stay is that of the table's inpatient", () => {
  expect(encounterClasses.I).toEqual([inpatientClass.system, inpatientClass.code, inpatientClass.display]);
});
