import { evalFhirPathTyped, tryGetDataType } from "@medplum/core";
import { beforeAll, expect, test } from "vitest";
import { invariantsOf } from "../../../src/fhir/checks/invariants.ts";
import { plainRules } from "../../../src/fhir/checks/plain-rules.ts";
import { createDefinitions } from "../../../src/fhir/definitions.ts";

beforeAll(() => {
  createDefinitions({ types: "default" });
});

const around = { resource: { resourceType: "Observation" }, root: { resourceType: "Observation" } };
const rule = (key: string, expression: string, severity: "error" | "warning" = "error") => ({
  key,
  expression,
  severity,
  description: "what it asks",
});

// https://hl7.org/fhir/R4/conformance-rules.html#constraints: a constraint holds where its expression is true.
test("an invariant holds where its expression is true, and neither where it is empty nor where it cannot be read", () => {
  const asked = (expression: string) =>
    invariantsOf([rule("x", expression)])[0]?.holds({ value: 1 }, "Quantity", around);
  expect([asked("value = 1"), asked("value = 2"), asked("code = 'a'"), asked("value +")]).toEqual([
    true,
    false,
    false,
    false,
  ]);
});

test("an invariant knows the resource around it", () => {
  const [invariant] = invariantsOf([rule("x", "%resource.status = 'final' and %rootResource.id = 'r'")]);
  const inside = {
    resource: { resourceType: "Observation", status: "final" },
    root: { resourceType: "Patient", id: "r" },
  };
  expect(invariant?.holds({}, "Quantity", inside)).toBe(true);
  expect(invariant?.holds({}, "Quantity", around)).toBe(false);
});

test("warnings, repeats and what the walk itself asks are left out", () => {
  const kept = invariantsOf([
    rule("a", "true"),
    rule("a", "true"),
    rule("b", "true", "warning"),
    rule("ele-1", "true"),
  ]);
  expect(kept.map((one) => one.key)).toEqual(["a"]);
});

// https://hl7.org/fhir/R4/json.html#primitive: id and extensions of a primitive stand beside it and do not change its value.
test("an invariant reads a text that has an id or extensions beside it as the text it is", () => {
  const [invariant] = invariantsOf([rule("x", "url.startsWith('http:') and name.exists()")]);
  const holds = (value: object) => invariant?.holds(value, "StructureDefinition", around);
  const beside = { extension: [{ url: "urn:a", valueBoolean: true }] };
  expect(holds({ url: "http://example.org", _url: beside, name: "a" })).toBe(true);
  expect(holds({ url: "http://example.org", _url: { id: "a" }, _name: beside })).toBe(true);
  expect(holds({ url: "urn:b", _url: beside, name: "a" })).toBe(false);
});

const samples: Readonly<Record<string, readonly [type: string, ...values: object[]]>> = {
  "dom-2": [
    "Patient",
    {},
    { contained: [{ resourceType: "Patient" }] },
    { contained: [{ resourceType: "Patient", contained: [{ resourceType: "Patient" }] }] },
  ],
  "dom-4": [
    "Patient",
    {},
    { contained: [{ resourceType: "Patient", meta: { versionId: "1" } }] },
    { contained: [{ resourceType: "Patient", meta: { source: "urn:a" } }] },
  ],
  "dom-5": [
    "Patient",
    {},
    { contained: [{ resourceType: "Patient", meta: { security: [{ code: "R" }] } }] },
    { contained: [{ resourceType: "Patient" }] },
  ],
  "ext-1": [
    "Extension",
    { url: "urn:a" },
    { valueString: "a" },
    { extension: [{ url: "urn:b" }] },
    { valueString: "a", extension: [{ url: "urn:b" }] },
  ],
  "qty-3": ["Quantity", { code: "s" }, { code: "s", system: "urn:a" }, { value: 1 }],
  "att-1": ["Attachment", { data: "QUJD" }, { data: "QUJD", contentType: "text/plain" }, { url: "urn:a" }],
  "cpt-2": ["ContactPoint", { value: "1" }, { value: "1", system: "phone" }, { system: "phone" }],
  "per-1": ["Period", { start: "2026-01-01" }, { start: "2026-01-02", end: "2026-01-01" }],
  "rng-2": ["Range", { low: { value: 1 } }, { low: { value: 1, unit: "s" }, high: { value: 2, unit: "s" } }],
  "obs-3": ["ObservationReferenceRange", {}, { low: { value: 1 } }, { text: "a" }, { appliesTo: [{ text: "a" }] }],
  "obs-6": [
    "Observation",
    { valueString: "a" },
    { valueString: "a", dataAbsentReason: { text: "a" } },
    { dataAbsentReason: { text: "a" } },
  ],
};

// The expressions as R4's own StructureDefinitions state them, run by a FHIRPath engine; times of two zones are left to
// the test of the rules, because this engine compares their text.
test.each(Object.entries(samples))("%s, written out, answers as its expression does", (key, [type, ...values]) => {
  const expression = tryGetDataType(type)?.constraints?.find((one) => one.key === key)?.expression ?? "";
  expect(expression).not.toBe("");
  for (const value of values) {
    const answer = evalFhirPathTyped(expression, [{ type, value }], { "%resource": { type, value } });
    expect([value, plainRules[key]?.(value as Record<string, unknown>)]).toEqual([value, answer[0]?.value]);
  }
});
