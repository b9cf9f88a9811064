import { validateResource } from "@medplum/core";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions } from "../../../src/fhir/definitions.ts";
import { type Conformance, conformanceResources } from "../../../src/fhir/profiles/conformance.ts";
import { canonical } from "../../../src/fhir/terminology/canonical.ts";

let all: readonly Conformance[];

beforeAll(() => {
  createDefinitions({ types: "default" });
  all = conformanceResources();
});

test("every definition of ours is valid R4, by @medplum/core's validator", () => {
  for (const one of all) expect(validateResource(one), canonical(one.resourceType, one.id)).toEqual([]);
});

test("each stands at the address that it names, and no other stands there", () => {
  for (const one of all) expect(one.url).toBe(canonical(one.resourceType, one.id));
  expect(new Set(all.map((one) => one.url)).size).toBe(all.length);
});

test("profiles, code systems, value sets and search parameters are all there", () => {
  const kinds = new Set(all.map((one) => one.resourceType));
  expect(kinds).toEqual(new Set(["StructureDefinition", "CodeSystem", "ValueSet", "SearchParameter"]));
});
