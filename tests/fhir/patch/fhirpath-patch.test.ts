import { expect, test } from "vitest";
import { readJson } from "../../../src/fhir/json.ts";
import { applyFhirPathPatch } from "../../../src/fhir/patch/fhirpath-patch.ts";
import { parametersOf, publishedCases } from "./fhirpath-cases.ts";

type Operation = Readonly<Record<string, unknown>>;

function patched(resource: object, ...operations: readonly Operation[]): unknown {
  const found = applyFhirPathPatch(resource, parametersOf(...operations));
  if (!found.ok) throw new Error(JSON.stringify(found.refusals));
  return found.value;
}

function refusal(resource: object, ...operations: readonly Operation[]) {
  const found = applyFhirPathPatch(resource, parametersOf(...operations));
  if (found.ok) throw new Error(`not refused: ${JSON.stringify(found.value)}`);
  return found.refusals[0];
}

function exact(text: string): object {
  const read = readJson(text);
  if (!read.ok) throw new Error(read.refusals[0]?.detail);
  return read.value.exact as object;
}

const patient = {
  resourceType: "Patient",
  id: "p",
  name: [
    { use: "official", family: "Marsh", given: ["Ida", "May"] },
    { use: "usual", given: ["Idi"] },
  ],
  birthDate: "1980-02-03",
  _birthDate: { extension: [{ url: "http://example.org/time", valueDateTime: "1980-02-03T10:00:00Z" }] },
  deceasedBoolean: false,
};

test.each(publishedCases.filter((one) => one.output !== undefined))(
  'the published case "$name" comes out as published',
  ({ input, operations, output }) => {
    expect(patched(input, ...operations)).toEqual(output);
  },
);

test.each(publishedCases.filter((one) => one.output === undefined))(
  'the published case "$name" is refused as published',
  ({ input, operations }) => {
    expect(refusal(input, ...operations)).toMatchObject({ status: 422, at: "Parameters.parameter[0]" });
  },
);

// All that follows: https://hl7.org/fhir/R4/fhirpatch.html unless another page is named.
test("a path finds an element by criterion, position and extension url", () => {
  const family = { valueString: "Fen" };
  for (const path of ["Patient.name.where(use = 'official').family", "Patient.name.first().family", "name[0].family"]) {
    expect(patched(patient, { type: "replace", path, value: family })).toMatchObject({ name: [{ family: "Fen" }, {}] });
  }
  expect(patched(patient, { type: "delete", path: "Patient.name.last()" })).toMatchObject({ name: [patient.name[0]] });
  const path = "Patient.birthDate.extension('http://example.org/time')";
  expect(patched(patient, { type: "delete", path })).toEqual({ ...patient, _birthDate: undefined });
});

test("a criterion that the resource does not meet finds nothing", () => {
  const operation = { type: "replace", path: "Patient.name.where(use = 'old').family", value: { valueString: "Fen" } };
  expect(refusal(patient, operation)).toMatchObject({ kind: "processing", status: 422 });
});

test("add appends to a list and makes an element that does not repeat", () => {
  const given = { type: "add", path: "Patient.name[1]", name: "given", value: { valueString: "Ivy" } };
  expect(patched(patient, given)).toMatchObject({ name: [{}, { given: ["Idi", "Ivy"] }] });
  const gender = { type: "add", path: "Patient", name: "gender", value: { valueCode: "female" } };
  expect(patched(patient, gender)).toEqual({ ...patient, gender: "female" });
});

// "Add can used for non-repeating elements as long as they do not already exist"
test("add to an element that does not repeat and is there already is refused", () => {
  const birthDate = { type: "add", path: "Patient", name: "birthDate", value: { valueDate: "1981-01-01" } };
  expect(refusal(patient, birthDate)).toMatchObject({ kind: "processing", status: 422 });
  const deceased = { type: "add", path: "Patient", name: "deceased", value: { valueDateTime: "2020-01-01" } };
  expect(refusal(patient, deceased)?.detail).toContain("Use replace");
});

// https://hl7.org/fhir/R4/formats.html#choice: the type ends the name of the JSON member.
test("the value[x] of the Parameters names the type of a choice element", () => {
  const observation = { resourceType: "Observation", status: "final", code: { text: "peak cough flow" } };
  const value = { valueQuantity: { value: 160, unit: "L/min" } };
  const added = patched(observation, { type: "add", path: "Observation", name: "value", value });
  expect(added).toEqual({ ...observation, ...value });
  const text = { type: "replace", path: "Observation.value", value: { valueString: "not measured" } };
  expect(patched(added as object, text)).toEqual({ ...observation, valueString: "not measured" });
  const unit = { type: "replace", path: "Observation.value.ofType(Quantity).unit", value: { valueString: "l/min" } };
  expect(patched(added as object, unit)).toMatchObject({ valueQuantity: { unit: "l/min" } });
  const asQuantity = { ...unit, path: "(Observation.value as Quantity).unit" };
  expect(patched(added as object, asQuantity)).toMatchObject({ valueQuantity: { unit: "l/min" } });
});

test("a choice element goes by its plain name, not by that of its JSON member", () => {
  const operation = { type: "delete", path: "Patient.deceasedBoolean" };
  expect(refusal(patient, operation)).toMatchObject({ status: 422 });
  expect(patched(patient, { type: "delete", path: "Patient.deceased" })).toEqual({
    ...patient,
    deceasedBoolean: undefined,
  });
});

// "including anonymous elements (e.g. Observation.component, Timing.repeat)"
test("parts build a backbone element, with choices, lists and parts within", () => {
  const observation = { resourceType: "Observation", status: "final", code: { text: "session" } };
  const part = [
    { name: "code", valueCodeableConcept: { text: "pressure" } },
    { name: "value", valueQuantity: { value: 40, unit: "cmH2O" } },
    { name: "referenceRange", part: [{ name: "text", valueString: "up to 60" }] },
    { name: "interpretation", valueCodeableConcept: { text: "low" } },
    { name: "interpretation", valueCodeableConcept: { text: "expected" } },
  ];
  expect(patched(observation, { type: "add", path: "Observation", name: "component", value: { part } })).toEqual({
    ...observation,
    component: [
      {
        code: { text: "pressure" },
        valueQuantity: { value: 40, unit: "cmH2O" },
        referenceRange: [{ text: "up to 60" }],
        interpretation: [{ text: "low" }, { text: "expected" }],
      },
    ],
  });
});

test("parts build an extension, and a resource part is contained", () => {
  const part = [
    { name: "url", valueUri: "http://example.org/note" },
    { name: "value", valueString: "moved" },
  ];
  const extension = { url: "http://example.org/note", valueString: "moved" };
  expect(patched(patient, { type: "add", path: "Patient.name[0].family", name: "extension", value: { part } })).toEqual(
    {
      ...patient,
      name: [{ ...patient.name[0], _family: { extension: [extension] } }, patient.name[1]],
    },
  );
  const resource = { resourceType: "Organization", id: "o", name: "Fen Lane" };
  expect(patched(patient, { type: "add", path: "Patient", name: "contained", value: { resource } })).toEqual({
    ...patient,
    contained: [resource],
  });
});

// https://hl7.org/fhir/R4/json.html#primitive: ids and extensions of a list of primitives stand beside it, filled with null.
test("extensions of primitives in a list move with their values", () => {
  const marked = { extension: [{ url: "http://example.org/marked", valueBoolean: true }] };
  const named = { resourceType: "Patient", name: [{ given: ["Ida", "May", "Joy"], _given: [null, marked, null] }] };
  expect(patched(named, { type: "move", path: "Patient.name[0].given", source: 1, destination: 2 })).toEqual({
    resourceType: "Patient",
    name: [{ given: ["Ida", "Joy", "May"], _given: [null, null, marked] }],
  });
  const insert = { type: "insert", path: "Patient.name[0].given", index: 0, value: { valueString: "Ann" } };
  expect(patched(named, insert)).toMatchObject({ name: [{ _given: [null, null, marked, null] }] });
  expect(patched(named, { type: "delete", path: "Patient.name.given[1]" })).toEqual({
    resourceType: "Patient",
    name: [{ given: ["Ida", "Joy"] }],
  });
});

// "The index is mandatory and must be equal or less than the number of elements in the list."
test("insert takes an index up to the length of the list, 0 where there is none", () => {
  const insert = { type: "insert", path: "Patient.telecom", index: 0, value: { valueContactPoint: { value: "1" } } };
  expect(patched(patient, insert)).toEqual({ ...patient, telecom: [{ value: "1" }] });
  expect(refusal(patient, { ...insert, index: 1 })).toMatchObject({ status: 422 });
  const { index: _, ...without } = insert;
  expect(refusal(patient, without)).toMatchObject({ status: 400 });
});

test.each([
  ["a source beyond the list", { type: "move", path: "Patient.name", source: 2, destination: 0 }],
  ["a destination beyond the list", { type: "move", path: "Patient.name", source: 0, destination: 2 }],
  ["a list of something that does not repeat", { type: "move", path: "Patient.gender", source: 0, destination: 0 }],
])("move with %s is refused", (_name, operation) => {
  expect(refusal(patient, operation)).toMatchObject({ kind: "processing", status: 422 });
});

// "Path of the element to delete (if found)"; "Only a single element can be deleted"
test("delete of nothing is no error, of several elements it is", () => {
  expect(patched(patient, { type: "delete", path: "Patient.photo[3]" })).toEqual(patient);
  expect(refusal(patient, { type: "delete", path: "Patient.name" })).toMatchObject({ status: 422 });
});

test("add and replace need exactly one element", () => {
  const value = { valueString: "Fen" };
  expect(refusal(patient, { type: "replace", path: "Patient.name.given", value })?.detail).toContain("3 elements");
  expect(refusal(patient, { type: "add", path: "Patient.name", name: "suffix", value })?.status).toBe(422);
  expect(refusal(patient, { type: "replace", path: "Patient.name[0].text", value })?.status).toBe(422);
});

// "The type of the value must be correct for the place … Servers SHALL return an error if the type is wrong"
test.each([
  ["a string for a code", { type: "add", path: "Patient", name: "gender", value: { valueString: "male" } }],
  ["an Age for a deceased", { type: "replace", path: "Patient.deceased", value: { valueAge: { value: 3 } } }],
  ["parts for a date", { type: "replace", path: "Patient.birthDate", value: { part: [{ name: "id" }] } }],
  ["two values", { type: "replace", path: "Patient.birthDate", value: { valueDate: "2000", valueString: "2000" } }],
  ["nothing", { type: "replace", path: "Patient.birthDate", value: {} }],
])("%s is a value of a wrong type", (_name, operation) => {
  expect(refusal(patient, operation)).toMatchObject({ kind: "value", status: 422, at: "Parameters.parameter[0]" });
});

// "Servers SHALL not allow patch operations to alter other resources than the nominated target"
test.each([
  "Patient.managingOrganization.resolve().name",
  "Patient.name.where(family.matches('(a+)+$'))",
  "Patient.name.where(%resource.id = 'p')",
  "Patient.name | Patient.contact",
  "Patient.descendants()",
  "Patient.name.skip(1)",
  "Patient.name.where()",
  "Patient.name.first(2)",
  "Patient.name[name.count() - 1]",
  "Patient.name.where((given | given).exists())",
])("the path %s is refused as not taken", (path) => {
  expect(refusal(patient, { type: "delete", path })).toMatchObject({ kind: "not-supported", status: 400 });
});

test.each([
  "Patient..name",
  "Patient.name.where(",
  "'",
  "",
  "Patient.name[0] given",
  "Patient.name[0]) and (true",
  "Patient.name where(use = 'usual')",
  "Patient.name.where(use = 'usual' family)",
  "Patient.(name[0])",
  "Patient.name[0].extension(3)",
  "Patient.name.where(use = 'usual', family = 'Marsh')",
  "x".repeat(1001),
])("the path %s is refused as malformed", (path) => {
  expect(refusal(patient, { type: "delete", path })).toMatchObject({ kind: "invalid", status: 400 });
});

test("an element that R4 does not have is refused, not passed over", () => {
  expect(refusal(patient, { type: "delete", path: "Patient.colour" })?.detail).toContain("no element colour");
  const operation = { type: "add", path: "Patient", name: "__proto__", value: { valueString: "x" } };
  expect(refusal(patient, operation)).toMatchObject({ status: 422 });
});

test.each([
  ["an unknown type", { type: "remove", path: "Patient.name" }],
  ["a part that is not of the operation", { type: "delete", path: "Patient.name", index: 0 }],
  ["no path", { type: "delete" }],
  ["a negative index", { type: "insert", path: "Patient.name", index: -1, value: { valueHumanName: {} } }],
])("an operation with %s is malformed", (_name, operation) => {
  expect(refusal(patient, operation)).toMatchObject({ kind: "invalid", status: 400 });
});

test("another resource than Parameters, or another parameter than operation, is malformed", () => {
  for (const parameters of [patient, [], null, { resourceType: "Parameters", parameter: [{ name: "patch" }] }]) {
    const found = applyFhirPathPatch(patient, parameters);
    expect(found.ok ? 200 : found.refusals[0]?.status).toBe(400);
  }
});

test("the id of a resource stays, and so does the resource", () => {
  expect(refusal(patient, { type: "replace", path: "Patient.id", value: { valueId: "q" } })?.status).toBe(422);
  expect(refusal(patient, { type: "replace", path: "Patient.id", value: { valueString: "q" } })).toMatchObject({
    at: "id",
    status: 400,
  });
  expect(refusal(patient, { type: "delete", path: "Patient" })?.status).toBe(422);
});

// https://hl7.org/fhir/R4/datatypes.html#decimal
test("numbers come through as they were written, those of the resource and those of the patch", () => {
  const observation = exact('{"resourceType":"Observation","valueQuantity":{"value":1.50,"unit":"s"}}');
  const part = '{"name":"value","valueQuantity":{"value":2.00}}';
  const parameters = exact(
    `{"resourceType":"Parameters","parameter":[{"name":"operation","part":[{"name":"type","valueCode":"add"},{"name":"path","valueString":"Observation.where(value.value = 1.5)"},{"name":"name","valueString":"component"},{"name":"value","part":[${part}]}]}]}`,
  );
  const found = applyFhirPathPatch(observation, parameters);
  expect(found.ok && JSON.stringify(found.value)).toBe(
    '{"resourceType":"Observation","valueQuantity":{"value":1.50,"unit":"s"},"component":[{"valueQuantity":{"value":2.00}}]}',
  );
});

test("a patch that looks through too much is refused", () => {
  const crowded = { resourceType: "Patient", telecom: Array(500).fill({ value: "1" }) };
  const operation = { type: "delete", path: "Patient.telecom.where(value = '2')" };
  expect(patched(crowded, ...Array(40).fill(operation))).toEqual(crowded);
  expect(refusal(crowded, ...Array(41).fill(operation))).toMatchObject({ kind: "too-costly", status: 422 });
});
