import { expect, test } from "vitest";
import { checkBinding } from "../../../src/fhir/checks/bindings.ts";
import { type CodesOf, startVisit } from "../../../src/fhir/checks/findings.ts";
import type { ElementPlan } from "../../../src/fhir/checks/type-plan.ts";

const codesOf: CodesOf = (url) =>
  url === "http://example.org/vs" ? new Map([["http://example.org/cs", new Map([["a", "A"]])]]) : undefined;

function element(type: string, strength: "required" | "extensible", valueSet = "http://example.org/vs"): ElementPlan {
  const binding = { valueSet, strength };
  return {
    key: "x",
    name: "x",
    isChoice: false,
    type,
    kind: "complex",
    isArray: false,
    max: 1,
    invariants: [],
    binding,
  };
}

function found(type: string, value: unknown, strength: "required" | "extensible" = "required"): string[] {
  const visit = startVisit({}, codesOf, "warnings");
  checkBinding(visit, element(type, strength), value, "at");
  return [
    ...visit.errors.map((one) => `${one.kind} ${one.at}`),
    ...(visit.warnings ?? []).map((one) => `warning ${one.at}`),
  ];
}

const a = { system: "http://example.org/cs", code: "a" };
const b = { system: "http://example.org/cs", code: "b" };

// https://hl7.org/fhir/R4/terminologies.html#strength: "the concept in this element SHALL be from the specified value
// set"; of a CodeableConcept one coding is enough, and others may stand beside it.
test.each([
  ["code", "a"],
  ["Coding", a],
  ["Coding", { display: "no code yet" }],
  ["CodeableConcept", { coding: [b, a] }],
  ["Quantity", { value: 1, ...a }],
  ["Quantity", { value: 1 }],
])("a %s of the value set is taken: %j", (type, value) => {
  expect(found(type, value)).toEqual([]);
});

test.each([
  ["code", "b", ""],
  ["Coding", b, ".code"],
  ["Coding", { code: "a" }, ".code"],
  ["Coding", { system: "http://example.org/other", code: "a" }, ".code"],
  ["CodeableConcept", { coding: [b] }, ".coding"],
  ["CodeableConcept", { text: "words" }, ""],
  ["Quantity", { value: 1, ...b }, ".code"],
])("a %s outside of a required value set is refused, outside of an extensible one told: %j", (type, value, where) => {
  expect(found(type, value)).toEqual([`code-invalid at${where}`]);
  expect(found(type, value, "extensible")).toEqual([`warning at${where}`]);
});

test("the refusal lists the codes there are", () => {
  const visit = startVisit({}, codesOf);
  checkBinding(visit, element("code", "required"), "b", "at");
  expect(visit.errors[0]?.detail).toBe('"b" is not in the value set http://example.org/vs. It has: a.');
});

test("a value set that cannot be listed lets everything pass, and so does an extensible one on a write", () => {
  const visit = startVisit({}, codesOf);
  checkBinding(visit, element("code", "required", "http://example.org/all-languages"), "b", "at");
  checkBinding(visit, element("code", "extensible"), "b", "at");
  expect([visit.errors, visit.warnings]).toEqual([[], undefined]);
});
