import { beforeAll, expect, test } from "vitest";
import { capabilityStatement } from "../../src/fhir/capability.ts";
import { createDefinitions, type Definitions, officialSearchParameters } from "../../src/fhir/definitions.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";
import { ownSearchParameters } from "../../src/fhir/search/own-parameters.ts";
import { parseSearch } from "../../src/fhir/search/parse.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "default" });
});

const facts = { baseUrl: "https://tidegate.example/fhir", softwareVersion: "0.1.0", date: "2026-03-01" };
const rest = () => capabilityStatement(definitions, facts).rest?.[0];

// https://hl7.org/fhir/R4/capabilitystatement.html with its invariants cpb-1 to cpb-16
test("the statement is a valid CapabilityStatement", () => {
  const everything = createDefinitions({ types: "all" });
  expect(checkResource(everything, capabilityStatement(definitions, facts))).toEqual([]);
  expect(checkResource(everything, capabilityStatement(everything, facts))).toEqual([]);
});

test("it lists the types that are switched on and no others", () => {
  expect(rest()?.resource?.map((one) => one.type)).toEqual(definitions.types);
});

test("each parameter is listed once, with the kind and url of its definition", () => {
  const known = new Map([...officialSearchParameters(), ...ownSearchParameters].map((one) => [one.url, one]));
  for (const resource of rest()?.resource ?? []) {
    const names = (resource.searchParam ?? []).map((one) => one.name);
    expect(new Set(names).size, resource.type).toBe(names.length);
    for (const parameter of resource.searchParam ?? []) {
      const definition = known.get(parameter.definition ?? "");
      expect([definition?.code, definition?.type]).toEqual([parameter.name, parameter.type]);
    }
  }
});

const example: Readonly<Record<string, string>> = {
  date: "2026",
  number: "1",
  quantity: "1",
  reference: "Patient/1",
  string: "a",
  token: "a",
  uri: "http://example.org",
};

test("every parameter and inclusion that is listed is one that a strict search takes", () => {
  const refused: string[] = [];
  const options = { handling: "strict", defaultCount: 1, maxCount: 1, nowMs: 0 } as const;
  for (const resource of rest()?.resource ?? []) {
    const asked = [
      ...(resource.searchParam ?? []).map((one) => [one.name, example[one.type] ?? ""] as const),
      ...(resource.searchInclude ?? []).map((value) => ["_include", value] as const),
      ...(resource.searchRevInclude ?? []).map((value) => ["_revinclude", value] as const),
    ];
    for (const one of asked) {
      if (!parseSearch(definitions, resource.type, [one], options).ok)
        refused.push(`${resource.type}?${one.join("=")}`);
    }
  }
  expect(refused).toEqual([]);
});
