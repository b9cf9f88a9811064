import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import { bodyPaths } from "../../../src/fhir/search/body-paths.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "default" });
});

const atomsOf = (type: string, code: string) => definitions.parameters(type).get(code)?.atoms ?? [];

// PostgreSQL's jsonpath (https://www.postgresql.org/docs/current/functions-json.html#FUNCTIONS-SQLJSON-PATH): `$` is the
// body, each name stands in quotation marks, and lists are looked into without being named.
test("the path to a plain element names each step in quotation marks", () => {
  expect(bodyPaths(atomsOf("ValueSet", "url"), [""])).toEqual(['$."url"']);
  expect(bodyPaths(atomsOf("Patient", "family"), [""])).toEqual(['$."name"."family"']);
});

test("what is asked for below each value is put behind every path", () => {
  expect(bodyPaths(atomsOf("Observation", "code"), ['."text"', '."coding"."display"'])).toEqual([
    '$."code"."text"',
    '$."code"."coding"."display"',
  ]);
});

test("every operand of a union has its paths", () => {
  const paths = bodyPaths(atomsOf("Observation", "combo-code"), ['."text"']);
  expect([...(paths ?? [])].sort()).toEqual(['$."code"."text"', '$."component"."code"."text"']);
});

// https://hl7.org/fhir/R4/json.html#choice: the type of a choice is part of its name in JSON.
test("a choice is named with its type", () => {
  const paths = bodyPaths(atomsOf("Observation", "value-concept"), ['."text"']);
  expect(paths).toEqual(['$."valueCodeableConcept"."text"']);
});

test("an operand that filters has no path, so no body can be asked", () => {
  // Patient.telecom.where(system='email'), https://hl7.org/fhir/R4/patient.html#search
  expect(atomsOf("Patient", "email")).toHaveLength(1);
  expect(bodyPaths(atomsOf("Patient", "email"), [""])).toBeUndefined();
  expect(bodyPaths([...atomsOf("Patient", "gender"), ...atomsOf("Patient", "email")], [""])).toBeUndefined();
});
