import { type Atom, parseFhirPath } from "@medplum/core";
import { expect, test } from "vitest";
import { resourceTypes } from "../../../src/fhir/definitions.ts";
import { readJson } from "../../../src/fhir/json.ts";
import { holds, refusedIn } from "../../../src/fhir/patch/criterion.ts";

function criterion(text: string): Atom {
  return parseFhirPath(text).child;
}

resourceTypes();

// https://hl7.org/fhirpath/N1: operators and functions with their meaning.
test.each([
  "use = 'official'",
  "use != 'old' and family.exists()",
  "given.count() > 1 or given.first() = 'Ida'",
  "family.startsWith('Ma')",
  "given.where($this = 'May').exists()",
  "period.empty()",
  "(use = 'usual').not()",
  "given[1] = 'May'",
  "'May' in given",
  "given contains 'Ida'",
])("the criterion %s is taken and holds", (text) => {
  const name = { use: "official", family: "Marsh", given: ["Ida", "May"] };
  expect(refusedIn(criterion(text))).toBeUndefined();
  expect(holds(criterion(text), "HumanName", name)).toBe(true);
});

test("a criterion that is false, empty or not a truth value does not hold", () => {
  for (const text of ["use = 'old'", "period.start = '2020'", "family", "given"]) {
    expect(holds(criterion(text), "HumanName", { use: "official", family: "Marsh", given: ["Ida", "May"] })).toBe(
      false,
    );
  }
});

test("a criterion that cannot be evaluated is told apart from a false one", () => {
  expect(holds(criterion("family.unheardOf()"), "HumanName", { family: "Marsh" })).toBeUndefined();
});

test("a criterion computes with numbers that are kept as written", () => {
  const read = readJson('{"value":1.50}');
  if (!read.ok) throw new Error("not read");
  expect(holds(criterion("value > 1.4 and value = 1.5"), "Quantity", read.value.exact)).toBe(true);
});

test.each([
  ["family.matches('(a+)+$')", "matches()"],
  ["given.where($this.replaceMatches('a', 'b') = 'c').exists()", "replaceMatches()"],
  ["subject.resolve().exists()", "resolve()"],
  ["%resource.id = 'a'", "%resource"],
  ["$index = 1", "$index"],
  ["(given | family).exists()", "|"],
  ["given[descendants().count()] = 'a'", "descendants()"],
  ["family & use = 'a'", "&"],
])("the criterion %s is refused for %s", (text, what) => {
  expect(refusedIn(criterion(text))).toBe(what);
});
