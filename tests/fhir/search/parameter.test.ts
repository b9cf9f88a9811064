import type { SearchParameter } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions } from "../../../src/fhir/definitions.ts";
import { officialSearchParameters } from "../../../src/fhir/r4/search-parameters.ts";
import { parametersOf } from "../../../src/fhir/search/parameter.ts";

beforeAll(() => {
  // Loads the structures that tell choices and lists.
  createDefinitions({ types: "default" });
});

const added = (fields: Partial<SearchParameter>): SearchParameter => ({
  resourceType: "SearchParameter",
  url: "https://example.org/SearchParameter/own",
  name: "Own",
  status: "active",
  description: "One of ours.",
  code: "own",
  base: ["Patient"],
  type: "token",
  expression: "Patient.active",
  ...fields,
});

// https://hl7.org/fhir/R4/searchparameter-registry.html
test("the registry of R4 is read", () => {
  const codes = officialSearchParameters()
    .filter((one) => one.base.includes("Observation"))
    .map((one) => one.code);
  expect(codes).toEqual(expect.arrayContaining(["code", "component-code-value-quantity", "derived-from"]));
  expect(officialSearchParameters().length).toBeGreaterThan(1_000);
});

// https://hl7.org/fhir/R4/patient.html#search and https://hl7.org/fhir/R4/observation.html#search
test.each([
  ["Patient", "family", "string"],
  ["Patient", "gender", "token"],
  ["Patient", "birthdate", "date"],
  ["Patient", "general-practitioner", "reference"],
  ["Observation", "value-quantity", "quantity"],
  ["RiskAssessment", "probability", "number"],
  ["ValueSet", "url", "uri"],
  ["Observation", "code-value-quantity", "composite"],
  ["Patient", "_tag", "token"],
])("%s has %s, a %s", (type, code, kind) => {
  expect(parametersOf(type, []).get(code)).toMatchObject({ code, kind });
});

test("a parameter of many types keeps the operands of the one asked for", () => {
  const patient = parametersOf("Observation", []).get("patient");
  expect(patient?.atoms.map((atom) => atom.text)).toEqual(["Observation.subject.where(resolve() is Patient)"]);
  expect(patient).toMatchObject({ single: true, url: "http://hl7.org/fhir/SearchParameter/clinical-patient" });
});

// https://hl7.org/fhir/R4/search.html#all: parameters of all resources
test("what every resource has is read under the type itself", () => {
  const parameters = parametersOf("Flag", []);
  expect(parameters.get("_profile")?.atoms.map((atom) => atom.text)).toEqual(["Flag.meta.profile"]);
});

test("what the store answers from its columns, or what is no path, is no parameter", () => {
  const parameters = parametersOf("Location", []);
  // Location.near is `special`, https://hl7.org/fhir/R4/location.html#search
  expect(["_id", "_lastUpdated", "_text", "_content", "near"].filter((code) => parameters.has(code))).toEqual([]);
  expect(parameters.has("name")).toBe(true);
});

test("only what may come once at most is single", () => {
  const single = (type: string, code: string) => parametersOf(type, []).get(code)?.single;
  expect(single("Observation", "subject")).toBe(true);
  expect(single("Account", "subject")).toBe(false);
  expect(single("Observation", "performer")).toBe(false);
  expect(single("Observation", "combo-code")).toBe(false);
});

test("an added parameter joins those of its type and replaces none of R4", () => {
  const parameters = parametersOf("Patient", [
    added({}),
    added({ code: "gender", expression: "Patient.active" }),
    added({ code: "elsewhere", base: ["Flag"], expression: "Flag.status" }),
  ]);
  expect(parameters.get("own")?.atoms.map((atom) => atom.text)).toEqual(["Patient.active"]);
  expect(parameters.get("gender")?.atoms.map((atom) => atom.text)).toEqual(["Patient.gender"]);
  expect(parameters.has("elsewhere")).toBe(false);
});

test("a composite has roots in place of operands, every other kind operands in place of roots", () => {
  for (const parameter of parametersOf("Observation", []).values()) {
    const { code, kind, atoms, roots } = parameter;
    expect([atoms.length > 0, roots.length > 0], code).toEqual([kind !== "composite", kind === "composite"]);
  }
});

test("a type that R4 does not have gets the parameters of every resource alone", () => {
  expect([...parametersOf("Nothing", []).keys()].every((code) => code.startsWith("_"))).toBe(true);
});

test("a composite that names a parameter R4 does not define is an error of whoever added it", () => {
  const composite = added({
    type: "composite",
    expression: "Patient",
    component: [{ definition: "https://example.org/SearchParameter/none", expression: "active" }],
  });
  expect(() => parametersOf("Patient", [composite])).toThrow("https://example.org/SearchParameter/none");
});
