import { expect, test } from "vitest";
import { readJson } from "../../../src/fhir/json.ts";
import { readFhirPathOperations } from "../../../src/fhir/patch/fhirpath-operation.ts";
import { parametersOf } from "./fhirpath-cases.ts";

// The table of https://hl7.org/fhir/R4/fhirpatch.html.
test("each type of operation is read with its parts", () => {
  const operations = [
    { type: "add", path: "Patient", name: "birthDate", value: { valueDate: "1980" } },
    { type: "insert", path: "Patient.name", index: 1, value: { valueHumanName: { family: "Fen" } } },
    { type: "delete", path: "Patient.photo" },
    { type: "replace", path: "Patient.gender", value: { valueCode: "other" } },
    { type: "move", path: "Patient.name", source: 1, destination: 0 },
  ];
  const expected = operations.map((one) => ("value" in one ? { ...one, value: { name: "value", ...one.value } } : one));
  expect(readFhirPathOperations(parametersOf(...operations))).toEqual({ ok: true, value: expected });
});

test("Parameters without a parameter change nothing", () => {
  expect(readFhirPathOperations({ resourceType: "Parameters" })).toEqual({ ok: true, value: [] });
});

test("a whole number may be written with a point", () => {
  const text = JSON.stringify(parametersOf({ type: "move", path: "Patient.name", source: 1, destination: 0 }));
  const read = readJson(text.replace('"valueInteger":1', '"valueInteger":1.0'));
  expect(read.ok && readFhirPathOperations(read.value.exact)).toMatchObject({ ok: true, value: [{ source: 1 }] });
});

test.each([
  [
    "a type that is no code",
    [
      { name: "type", valueString: "delete" },
      { name: "path", valueString: "Patient.name" },
    ],
  ],
  ["a path twice", [{ name: "type", valueCode: "delete" }, ...Array(2).fill({ name: "path", valueString: "a" })]],
  [
    "an empty path",
    [
      { name: "type", valueCode: "delete" },
      { name: "path", valueString: "" },
    ],
  ],
  ["no parts", []],
  [
    "a type that every object has",
    [
      { name: "type", valueCode: "toString" },
      { name: "path", valueString: "a" },
    ],
  ],
  ["a part that is a text", [{ name: "type", valueCode: "delete" }, { name: "path", valueString: "a" }, "x"]],
])("an operation with %s is refused with 400 and its place", (_name, part) => {
  const found = readFhirPathOperations({ resourceType: "Parameters", parameter: [{ name: "operation", part }] });
  expect(found.ok ? [] : found.refusals).toMatchObject([{ status: 400 }]);
  expect(found.ok ? "" : found.refusals[0]?.at).toMatch(/^Parameters\.parameter\[0\]/);
});

test.each([[0.5], [-1], ["1"], [null]])("%s is no index", (index) => {
  const parameters = parametersOf({ type: "insert", path: "Patient.name", index, value: {} });
  expect(readFhirPathOperations(parameters)).toMatchObject({ ok: false, refusals: [{ status: 400 }] });
});

test("a patch has at most 1,000 operations", () => {
  const parameters = (count: number) => parametersOf(...Array(count).fill({ type: "delete", path: "Patient.photo" }));
  expect(readFhirPathOperations(parameters(1000)).ok).toBe(true);
  expect(readFhirPathOperations(parameters(1001))).toMatchObject({ refusals: [{ kind: "too-costly", status: 422 }] });
});
