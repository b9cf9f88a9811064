import { validateResource } from "@medplum/core";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import { type Conformance, conformanceResources, ownProfileResources } from "../../../src/fhir/profiles/conformance.ts";
import { checkResource } from "../../../src/fhir/resource-check.ts";
import { canonical } from "../../../src/fhir/terminology/canonical.ts";

let all: readonly Conformance[];
let definitions: Definitions;

beforeAll(() => {
  definitions = createDefinitions({ types: "default", profiles: ownProfileResources });
  all = conformanceResources();
});

test("every definition of ours is valid R4, by @medplum/core's validator", () => {
  for (const one of all) expect(validateResource(one), canonical(one.resourceType, one.id)).toEqual([]);
});

test("each stands at the address that it names, and no other stands there", () => {
  for (const one of all) expect(one.url).toBe(canonical(one.resourceType, one.id));
  expect(new Set(all.map((one) => one.url)).size).toBe(all.length);
});

test("profiles, terminology, search parameters, measures and the screening form are all there", () => {
  const kinds = new Set(all.map((one) => one.resourceType));
  expect(kinds).toEqual(
    new Set([
      "StructureDefinition",
      "CodeSystem",
      "ValueSet",
      "SearchParameter",
      "Measure",
      "Questionnaire",
      "OperationDefinition",
    ]),
  );
});

test("the profiles' snapshots are made once", () => {
  expect(ownProfileResources()).toBe(ownProfileResources());
});

/** The least that R4 asks of each type, and nothing of what our profiles ask beyond it. */
const leastOfR4: Readonly<Record<string, Record<string, unknown>>> = {
  CarePlan: { status: "active", intent: "plan", subject: { display: "Somebody" } },
  Device: {},
  DeviceRequest: { intent: "order", codeReference: { display: "Something" }, subject: { display: "Somebody" } },
  DeviceUseStatement: { status: "active", subject: { display: "Somebody" }, device: { display: "Something" } },
  Flag: { status: "active", code: { text: "Something" }, subject: { display: "Somebody" } },
  Observation: { status: "final", code: { text: "Something" } },
  Task: { status: "requested", intent: "order" },
};

// https://hl7.org/fhir/R4/profiling.html: a resource that claims a profile must conform to it
test("a resource that R4 allows is refused when it claims a profile of ours without what that asks for", () => {
  for (const { type, url } of ownProfileResources()) {
    const resource = { resourceType: type, ...leastOfR4[type] };
    expect(checkResource(definitions, resource), type).toEqual([]);
    expect(checkResource(definitions, { ...resource, meta: { profile: [url] } }), url).not.toEqual([]);
  }
});

// https://hl7.org/fhir/R4/references.html#canonical: a canonical may name a version behind a bar
test("a claim that names a version is checked as well", () => {
  const url = canonical("StructureDefinition", "session-observation");
  const claim = { resourceType: "Observation", ...leastOfR4.Observation, meta: { profile: [`${url}|1.0.0`] } };
  expect(checkResource(definitions, claim)).not.toEqual([]);
});
