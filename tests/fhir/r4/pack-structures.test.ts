import type { StructureDefinition } from "@medplum/fhirtypes";
import { expect, test } from "vitest";
import { packedStructures } from "../../../src/fhir/r4/pack-structures.ts";

const twig: StructureDefinition = {
  resourceType: "StructureDefinition",
  name: "Twig",
  type: "Twig",
  url: "http://hl7.org/fhir/StructureDefinition/Twig",
  status: "active",
  kind: "resource",
  abstract: false,
  derivation: "specialization",
  snapshot: {
    element: [
      { path: "Twig", definition: "Words.", min: 0, max: "*", base: { path: "Twig", min: 0, max: "*" } },
      {
        path: "Twig.leaf",
        definition: "More words.",
        min: 1,
        max: "1",
        base: { path: "Tree.leaf", min: 0, max: "*" },
        type: [{ code: "Reference", targetProfile: ["http://hl7.org/fhir/StructureDefinition/Patient"] }],
        isSummary: true,
        constraint: [{ key: "twg-1", severity: "error", human: "Green", expression: "green", source: "elsewhere" }],
      },
    ],
  },
};

test("what is packed is an index, then one structure a line, without words and with what is usual left out", () => {
  const [index = "", line = "", end] = packedStructures([twig]).split("\n");
  expect(JSON.parse(index)).toEqual({
    structures: [{ name: "Twig", kind: "resource", isAbstract: false, inner: [] }],
    constraints: [{ key: "twg-1", severity: "error", human: "Green", expression: "green" }],
  });
  expect(JSON.parse(line)).toEqual({
    name: "Twig",
    type: "Twig",
    url: "http://hl7.org/fhir/StructureDefinition/Twig",
    elements: [
      { max: "*" },
      {
        path: "leaf",
        min: 1,
        baseMax: "*",
        type: [{ code: "Reference", targetProfile: ["Patient"] }],
        constraint: [0],
        isSummary: true,
      },
    ],
  });
  expect(end).toBe("");
});
