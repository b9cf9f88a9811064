import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../src/fhir/definitions.ts";
import { codesOf } from "../../src/fhir/terminology/value-set-codes.ts";
import { contentFindings, readValidation, validationModes, validationOutcome } from "../../src/fhir/validate.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "default" });
});

const observation = { resourceType: "Observation", status: "final", code: { text: "peak cough flow" } };
const json = (value: object) => ({ value, exact: value });
const asked = (level: "type" | "instance", query: Record<string, string>, body?: object) =>
  readValidation({ query: Object.entries(query), ...(body === undefined ? {} : { body: json(body) }) }, level);

// https://hl7.org/fhir/R4/valueset-resource-validation-mode.html
test("the modes are those of the value set that R4 binds them to", () => {
  const codes = codesOf("http://hl7.org/fhir/ValueSet/resource-validation-mode")?.values().next().value;
  expect([...validationModes].sort()).toEqual([...(codes?.keys() ?? [])].sort());
});

// "in" parameters at https://hl7.org/fhir/R4/resource-operation-validate.html: resource, mode, profile.
test("the resource comes as the body or in a Parameters resource, mode and profile there or in the address", () => {
  const parameters = {
    resourceType: "Parameters",
    parameter: [
      { name: "resource", resource: observation },
      { name: "mode", valueCode: "create" },
      { name: "profile", valueUri: "http://example.org/p" },
    ],
  };
  const whole = { resource: observation, mode: "create", profile: "http://example.org/p" };
  expect(asked("type", {}, parameters)).toEqual({ ok: true, value: whole });
  expect(asked("type", { mode: "create", profile: "http://example.org/p" }, observation)).toEqual({
    ok: true,
    value: whole,
  });
  expect(asked("instance", {})).toEqual({ ok: true, value: {} });
});

// The same page: "Modes update and delete can only be used when the operation is invoked at the resource instance
// level"; the resource "must be present unless the mode is delete"; mode profile is about an existing resource.
test.each([
  ["a mode that R4 does not have", "type", { mode: "check" }, observation, "mode"],
  ["an update of a type", "type", { mode: "update" }, observation, "mode"],
  ["a deletion of a type", "type", { mode: "delete" }, observation, "mode"],
  ["a profile of a type", "type", { mode: "profile", profile: "urn:a" }, undefined, "mode"],
  ["nothing", "type", {}, undefined, "resource"],
  ["an update to nothing", "instance", { mode: "update" }, undefined, "resource"],
  ["mode profile without one", "instance", { mode: "profile" }, undefined, "profile"],
  ["mode profile with a resource", "instance", { mode: "profile", profile: "urn:a" }, observation, "resource"],
] as const)("%s is not validated", (_, level, query, body, at) => {
  expect(asked(level, query, body)).toMatchObject({ ok: false, refusals: [{ kind: "invalid", at, status: 400 }] });
});

test("a resource is found fault with as a write would, and warned of besides", () => {
  const profile = "http://example.org/unknown";
  const found = contentFindings(
    definitions,
    { ...observation, status: "x", meta: { profile: [profile] } },
    "Observation",
    undefined,
  );
  expect(found.errors).toMatchObject([{ kind: "code-invalid", at: "Observation.status" }]);
  expect(found.warnings).toMatchObject([{ kind: "not-supported", at: "Observation.meta.profile[0]" }]);
  expect(contentFindings(definitions, observation, "Patient", undefined).errors).toMatchObject([
    { at: "resourceType" },
  ]);
});

// "If this is nominated, then the resource is validated against this specific profile" (the same page).
test("a profile that is asked for and not known is an error: nothing could be said about it", () => {
  const found = contentFindings(definitions, observation, "Observation", "http://example.org/unknown");
  expect(found.errors).toMatchObject([{ kind: "not-supported" }]);
  const base = "http://hl7.org/fhir/StructureDefinition/Observation";
  expect(contentFindings(definitions, observation, "Observation", base)).toEqual({ errors: [], warnings: [] });
});

// "The operation returns an OperationOutcome … If the operation outcome does not list any errors, … then the
// resource is valid" (the same page); an outcome has one issue at least
// (https://hl7.org/fhir/R4/operationoutcome.html).
test("the outcome lists errors before warnings, and says All OK where there is nothing", () => {
  const error = { kind: "value", detail: "a", at: "Patient.a" } as const;
  const warning = { kind: "not-supported", detail: "b" } as const;
  const outcome = validationOutcome({ errors: [error], warnings: [warning] });
  expect(outcome.issue.map((one) => [one.severity, one.code])).toEqual([
    ["error", "value"],
    ["warning", "not-supported"],
  ]);
  expect(validationOutcome({ errors: [], warnings: [] }).issue).toMatchObject([
    { severity: "information", details: { text: "All OK" } },
  ]);
});
