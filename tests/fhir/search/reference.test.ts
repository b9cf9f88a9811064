import { expect, test } from "vitest";
import { identifierQuery, referenceQuery, referencesOf, referenceTerm } from "../../../src/fhir/search/reference.ts";

const answers = (query: string, targets: string[], value: unknown) =>
  referenceQuery(query, targets).some((one) => referencesOf(value, "1").includes(referenceTerm("1", one)));

// The three forms of https://hl7.org/fhir/R4/search.html#reference: id, type/id and url.
test.each([
  ["23", ["Patient", "Group"], { reference: "Patient/23" }, true],
  ["23", ["Group"], { reference: "Patient/23" }, false],
  ["Patient/23", ["Patient"], { reference: "Patient/23" }, true],
  ["http://example.com/fhir/Patient/23", ["Patient"], { reference: "http://example.com/fhir/Patient/23" }, true],
  ["Patient/23", ["Patient"], { reference: "http://example.com/fhir/Patient/23" }, false],
  ["Patient/23", ["Patient"], { reference: "Patient/23/_history/2" }, true],
])("%s among %o asked of %o answers %s", (query, targets, value, expected) => {
  expect(answers(query, targets, value)).toBe(expected);
});

// https://hl7.org/fhir/R4/search.html#versions: a canonical is found with its version and without.
test("a canonical answers with and without its version", () => {
  const canonical = "http://example.com/Questionnaire/a|2.0";
  expect(answers("http://example.com/Questionnaire/a", [], canonical)).toBe(true);
  expect(answers("http://example.com/Questionnaire/a\\|2.0", [], canonical)).toBe(true);
  expect(answers("http://example.com/Questionnaire/a\\|1.0", [], canonical)).toBe(false);
});

test("a logical reference is found by its identifier, with and without the system", () => {
  const terms = referencesOf({ identifier: { system: "http://example.org/mrn", value: "12345" } }, "1");
  expect(terms).toContain(identifierQuery("1", "http://example.org/mrn|12345"));
  expect(terms).toContain(identifierQuery("1", "12345"));
  expect(terms).not.toContain(identifierQuery("1", "|12345"));
});

test("an identifier is never taken for a reference", () => {
  expect(answers("12345", ["Patient"], { identifier: { value: "Patient/12345" } })).toBe(false);
});

test("a reference of a display alone gives nothing", () => {
  expect(referencesOf({ display: "the carer" }, "1")).toEqual([]);
  expect(referencesOf(undefined, "1")).toEqual([]);
});
