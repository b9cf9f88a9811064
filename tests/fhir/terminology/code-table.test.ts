import type { CodeSystem } from "@medplum/fhirtypes";
import { expect, test } from "vitest";
import {
  codeListOf,
  codeTableOf,
  isAbstract,
  isInactive,
  withDescendants,
} from "../../../src/fhir/terminology/code-table.ts";

// Standard properties: https://hl7.org/fhir/R4/codesystem.html#defined-props
const system: CodeSystem = {
  resourceType: "CodeSystem",
  url: "urn:beasts",
  version: "2",
  name: "Beasts",
  title: "Kinds of beast",
  status: "active",
  content: "complete",
  concept: [
    {
      code: "animal",
      property: [{ code: "notSelectable", valueBoolean: true }],
      concept: [{ code: "cat", display: "Cat", definition: "It purrs." }],
    },
    { code: "dog", display: "Dog", property: [{ code: "parent", valueCode: "animal" }] },
    {
      code: "pet",
      display: "Pet",
      property: [
        { code: "child", valueCode: "cat" },
        { code: "child", valueCode: "dog" },
      ],
    },
    { code: "dodo", display: "Dodo", property: [{ code: "status", valueCode: "retired" }] },
    { code: "auk", display: "Auk", property: [{ code: "inactive", valueBoolean: true }] },
    { code: "ox", display: "Ox", property: [{ code: "status", valueCode: "deprecated" }] },
  ],
};
const table = codeTableOf(system);

test("a code system is made flat, its order kept and nested concepts after their parent", () => {
  expect([...table.displays.keys()]).toEqual(["animal", "cat", "dog", "pet", "dodo", "auk", "ox"]);
  expect(table).toMatchObject({ url: "urn:beasts", name: "Kinds of beast", version: "2", complete: true });
  expect(table.displays.get("animal")).toBe("");
  expect(table.details.get("cat")).toEqual({ definition: "It purrs." });
});

test("the hierarchy is read from nesting, and from the properties parent and child", () => {
  expect([...withDescendants(table, "animal")].sort()).toEqual(["animal", "cat", "dog"]);
  expect([...withDescendants(table, "pet")].sort()).toEqual(["cat", "dog", "pet"]);
  expect(withDescendants(table, "unicorn").size).toBe(0);
});

test("a circle in the hierarchy ends", () => {
  const circle = codeTableOf({
    ...system,
    concept: [
      { code: "a", property: [{ code: "child", valueCode: "b" }] },
      { code: "b", property: [{ code: "child", valueCode: "a" }] },
    ],
  });
  expect([...withDescendants(circle, "a")]).toEqual(["a", "b"]);
});

test("notSelectable makes a concept abstract; inactive and retired make it inactive, deprecated does not", () => {
  expect([...table.displays.keys()].filter((code) => isAbstract(table, code))).toEqual(["animal"]);
  expect([...table.displays.keys()].filter((code) => isInactive(table, code))).toEqual(["dodo", "auk"]);
});

test("a system that is not complete says so", () => {
  // https://hl7.org/fhir/R4/valueset-codesystem-content-mode.html
  for (const content of ["not-present", "example", "fragment", "supplement"] as const) {
    expect(codeTableOf({ ...system, content }).complete).toBe(false);
  }
});

test("of a value set its name, version and rules are kept, and nothing else", () => {
  const compose = { include: [{ system: "urn:beasts" }] };
  const kept = codeListOf({ resourceType: "ValueSet", url: "urn:vs", status: "draft", compose, publisher: "Somebody" });
  expect(kept).toEqual({ url: "urn:vs", status: "draft", compose });
});
