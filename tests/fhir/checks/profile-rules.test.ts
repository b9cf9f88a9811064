import { readFileSync } from "node:fs";
import { OperationOutcomeError, validateResource } from "@medplum/core";
import type { Resource, StructureDefinition } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { profileRuleFaults, profileRules } from "../../../src/fhir/checks/profile-rules.ts";
import { createDefinitions } from "../../../src/fhir/definitions.ts";
import { ownProfileResources } from "../../../src/fhir/profiles/conformance.ts";

beforeAll(() => {
  createDefinitions({ types: "default" });
});

type Members = Record<string, unknown>;

const example = (name: string) => JSON.parse(readFileSync(`seed/examples/${name}.json`, "utf8")) as Members;

const conforming: Readonly<Record<string, Members>> = {
  "session-observation": example("observation-session"),
  "session-use": example("device-use-session"),
  "settings-request": example("device-request"),
  "therapy-plan": example("care-plan"),
  "contraindication-flag": example("flag"),
  "finding-task": example("task"),
  "part-device": example("device-part"),
};

/** Whether @medplum/core finds a fault: by R4 alone, or by the snapshot of a profile, of which we read the differential. */
function libraryRefuses(resource: Members, profile?: StructureDefinition): boolean {
  try {
    const options = profile === undefined ? {} : { profile };
    return validateResource(resource as unknown as Resource, options).some((one) => one.severity === "error");
  } catch (error) {
    if (error instanceof OperationOutcomeError) return true;
    throw error;
  }
}

/** The resource without any one member, and with its codings and their systems changed. */
function changed(resource: Members): Members[] {
  const without = Object.keys(resource)
    .filter((key) => key !== "resourceType")
    .map((left) => Object.fromEntries(Object.entries(resource).filter(([key]) => key !== left)));
  const text = JSON.stringify(resource);
  const recoded = [/"code":"[^"]*"/g, /"system":"[^"]*"/g].map((part) =>
    JSON.parse(text.replace(part, (found) => found.replace(/:".*"/, ':"https://example.org/other"'))),
  );
  return [...without, ...recoded];
}

test("every profile of ours is understood whole", () => {
  for (const profile of ownProfileResources()) expect(profileRules(profile), profile.id).toBeDefined();
  expect(
    ownProfileResources()
      .map((one) => one.id)
      .sort(),
  ).toEqual(Object.keys(conforming).sort());
});

test.each(Object.keys(conforming))("%s is refused where the library refuses it, and nowhere else", (id) => {
  const profile = ownProfileResources().find((one) => one.id === id) as StructureDefinition;
  const rules = profileRules(profile) ?? [];
  const resource = conforming[id] as Members;
  expect(profileRuleFaults(rules, resource)).toEqual([]);
  let refused = 0;
  for (const one of changed(resource)) {
    // What R4 itself refuses never comes to its profiles.
    if (libraryRefuses(one)) continue;
    const faults = profileRuleFaults(rules, one);
    expect(faults.length > 0, JSON.stringify(one)).toBe(libraryRefuses(one, profile));
    refused += faults.length;
  }
  expect(refused).toBeGreaterThan(0);
});

test("another type of a choice that the profile narrows is refused", () => {
  const profile = ownProfileResources().find((one) => one.id === "settings-request") as StructureDefinition;
  const { codeCodeableConcept: _, ...rest } = conforming["settings-request"] as Members;
  const request = { ...rest, codeReference: { reference: "Device/a" } };
  expect(libraryRefuses(request, profile)).toBe(true);
  expect(profileRuleFaults(profileRules(profile) ?? [], request)).toMatchObject([
    { kind: "structure", at: "DeviceRequest.code", status: 400 },
  ]);
});

const base: StructureDefinition = {
  resourceType: "StructureDefinition",
  url: "http://example.org/p",
  name: "P",
  status: "active",
  kind: "resource",
  abstract: false,
  type: "Flag",
  baseDefinition: "http://hl7.org/fhir/StructureDefinition/Flag",
  derivation: "constraint",
};

test.each([
  ["without a differential", base],
  [
    "on another profile",
    { ...base, baseDefinition: "http://example.org/q", differential: { element: [{ path: "Flag" }] } },
  ],
  ["with a fixed value", withElement({ path: "Flag.status", fixedCode: "active" })],
  ["with a cardinality of its own", withElement({ path: "Flag.category", max: "1" })],
  ["with a pattern of text", withElement({ path: "Flag.code", patternCodeableConcept: { text: "Danger" } })],
  [
    "with a pattern of a list",
    withElement({ path: "Flag.category", patternCodeableConcept: { coding: [{ code: "a" }] } }),
  ],
  ["within an element", withElement({ path: "Flag.period.start", min: 1 })],
  ["of an element that R4 does not have", withElement({ path: "Flag.colour", min: 1 })],
])("a profile %s is left to the library", (_name, profile) => {
  expect(profileRules(profile as StructureDefinition)).toBeUndefined();
});

function withElement(element: object): object {
  return { ...base, differential: { element: [{ id: "Flag", path: "Flag" }, element] } };
}
