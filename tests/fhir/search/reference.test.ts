import { expect, test } from "vitest";
import {
  identifierQuery,
  referenceQuery,
  referencesOf,
  referenceTerm,
  referralTerm,
} from "../../../src/fhir/search/reference.ts";

const asWritten = (reference: string) => reference;
const underBase = (reference: string) => reference.replace(/^http:\/\/example\.com\/fhir\//, "");

const answers = (query: string, targets: string[], value: unknown, local = asWritten) =>
  referenceQuery(query, targets, local).some((one) =>
    referencesOf(value, "1", local).includes(referenceTerm("1", one)),
  );

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

// https://hl7.org/fhir/R4/search.html#reference: relative and absolute forms of a reference to the same server agree.
test("an address under this service's own base means what is stored here, written either way", () => {
  const absolute = { reference: "http://example.com/fhir/Patient/23" };
  expect(answers("Patient/23", ["Patient"], absolute, underBase)).toBe(true);
  expect(answers("http://example.com/fhir/Patient/23", ["Patient"], { reference: "Patient/23" }, underBase)).toBe(true);
  expect(answers("http://other.example/fhir/Patient/23", ["Patient"], absolute, underBase)).toBe(false);
});

// https://hl7.org/fhir/R4/search.html#versions: a canonical is found with its version and without.
test("a canonical answers with and without its version", () => {
  const canonical = "http://example.com/Questionnaire/a|2.0";
  expect(answers("http://example.com/Questionnaire/a", [], canonical)).toBe(true);
  expect(answers("http://example.com/Questionnaire/a\\|2.0", [], canonical)).toBe(true);
  expect(answers("http://example.com/Questionnaire/a\\|1.0", [], canonical)).toBe(false);
});

test("a canonical under this service's own base is found by its url, with and without its version", () => {
  const canonical = "http://example.com/fhir/Questionnaire/a|2.0";
  for (const query of ["http://example.com/fhir/Questionnaire/a", "Questionnaire/a", "a"])
    expect(answers(query, ["Questionnaire"], canonical, underBase), query).toBe(true);
  expect(answers("http://example.com/fhir/Questionnaire/a\\|2.0", [], canonical, underBase)).toBe(true);
  expect(answers("http://example.com/fhir/Questionnaire/b", [], canonical, underBase)).toBe(false);
});

test("a logical reference is found by its identifier, with and without the system", () => {
  const terms = referencesOf({ identifier: { system: "http://example.org/mrn", value: "12345" } }, "1", asWritten);
  expect(terms).toContain(identifierQuery("1", "http://example.org/mrn|12345"));
  expect(terms).toContain(identifierQuery("1", "12345"));
  expect(terms).not.toContain(identifierQuery("1", "|12345"));
});

test("an identifier is never taken for a reference", () => {
  expect(answers("12345", ["Patient"], { identifier: { value: "Patient/12345" } })).toBe(false);
});

test("a reference of a display alone gives nothing", () => {
  expect(referencesOf({ display: "the carer" }, "1", asWritten)).toEqual([]);
  expect(referencesOf(undefined, "1", asWritten)).toEqual([]);
});

test("what refers from anywhere has a term of its own, the same for every version of its target", () => {
  expect(referralTerm("Patient/1/_history/2")).toBe(referralTerm("Patient/1"));
  expect(referralTerm("Patient/1")).not.toBe(referralTerm("Patient/2"));
  expect(referralTerm("Patient/1")).not.toBe(referenceTerm("1", "Patient/1"));
});
