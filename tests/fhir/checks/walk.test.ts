import { readdirSync, readFileSync } from "node:fs";
import { OperationOutcomeError, validateResource } from "@medplum/core";
import type { Resource } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { startVisit } from "../../../src/fhir/checks/findings.ts";
import { walkResource } from "../../../src/fhir/checks/walk.ts";
import { createDefinitions } from "../../../src/fhir/definitions.ts";

beforeAll(() => {
  createDefinitions({ types: "default" });
});

type Members = Record<string, unknown>;

function faults(resource: Members): string[] {
  const visit = startVisit(resource, () => undefined);
  walkResource(visit, resource, String(resource.resourceType), String(resource.resourceType));
  return visit.errors.map((one) => `${one.kind} ${one.at}`);
}

const observation = { resourceType: "Observation", status: "final", code: { text: "peak cough flow" } };
const patient = { resourceType: "Patient" };
const extension = [{ url: "http://example.org/why", valueString: "not known" }];

// https://hl7.org/fhir/R4/json.html#primitive: null fills up lists of primitives whose extensions stand in a list of
// the same length; what stands beside a primitive is an object with id and extension.
test.each([
  ["an extension beside a primitive", { ...patient, birthDate: "1970-03-30", _birthDate: { extension } }],
  ["an extension in place of a primitive", { ...patient, _birthDate: { extension } }],
  ["an extension in place of a required primitive", { ...observation, status: undefined, _status: { extension } }],
  ["nulls that fill up", { ...patient, name: [{ given: ["A", null], _given: [null, { extension }] }] }],
  ["an extension in place of a choice", { ...observation, _valueString: { extension } }],
])("%s is allowed", (_, resource) => {
  expect(faults(JSON.parse(JSON.stringify(resource)) as Members)).toEqual([]);
});

// The same page: "property names: unique", no empty arrays or objects, no null but in those lists; a list is always
// an array, even of one.
test.each([
  ["a member that R4 does not have", { ...observation, colour: 1 }, "structure Observation.colour"],
  ["an underscore before an object", { ...observation, _code: { id: "a" } }, "structure Observation._code"],
  ["a list beside one primitive", { ...observation, _status: [{ id: "a" }] }, "structure Observation.status"],
  [
    "text beside a primitive",
    { ...patient, name: [{ given: ["A"], _given: ["a"] }] },
    "structure Patient.name[0].given[0]",
  ],
  [
    "lists of two lengths",
    { ...patient, name: [{ given: ["A", "B"], _given: [{ id: "a" }] }] },
    "structure Patient.name[0].given",
  ],
  [
    "a null with nothing in its place",
    { ...patient, name: [{ given: ["A", null] }] },
    "structure Patient.name[0].given[1]",
  ],
  [
    "a null on both sides",
    { ...patient, name: [{ given: [null], _given: [null] }] },
    "structure Patient.name[0].given[0]",
  ],
  ["a null for an object", { ...observation, subject: null }, "structure Observation.subject"],
  ["text for an object", { ...observation, subject: "Patient/1" }, "structure Observation.subject"],
  ["a number for an object", { ...observation, code: 5 }, "structure Observation.code"],
  ["an object for text", { ...patient, name: [{ given: [{ a: 1 }] }] }, "structure Patient.name[0].given[0]"],
  ["a list in a list", { ...observation, category: [[{ text: "x" }]] }, "structure Observation.category[0]"],
  ["the definition's own name of a choice", { ...observation, "value[x]": "x" }, "structure Observation.value[x]"],
  [
    "a type in a data type",
    { ...observation, code: { resourceType: "X", text: "x" } },
    "structure Observation.code.resourceType",
  ],
  [
    "a type that is none",
    { ...observation, contained: [{ resourceType: "constructor", id: "a" }] },
    "structure Observation.contained[0].resourceType",
  ],
  [
    "a data type as a resource",
    { ...observation, contained: [{ resourceType: "Quantity", id: "a" }] },
    "structure Observation.contained[0].resourceType",
  ],
  [
    "a contained thing without type",
    { ...observation, contained: [{ id: "a" }] },
    "structure Observation.contained[0].resourceType",
  ],
  ["a contained resource without id", { ...observation, contained: [patient] }, "required Observation.contained[0].id"],
  [
    "a required element of a contained one",
    { ...observation, contained: [{ resourceType: "Flag", id: "a" }] },
    "required Observation.contained[0].status",
  ],
  [
    "a choice of two types",
    { ...observation, valueString: "a", _valueInteger: { extension } },
    "structure Observation.value",
  ],
])("%s is refused where it stands", (_, resource, fault) => {
  expect(faults(resource as Members)).toContain(fault);
});

// Invariants of data types hold wherever a value of the type stands, and those of a resource where it is contained
// (https://hl7.org/fhir/R4/conformance-rules.html#constraints, keys at https://hl7.org/fhir/R4/datatypes.html).
test.each([
  ["per-1", { ...observation, effectivePeriod: { start: "2026-02-01", end: "2026-01-01" } }, "Observation.effective"],
  ["qty-3", { ...observation, valueQuantity: { value: 1, code: "s" } }, "Observation.value"],
  ["ext-1", { ...observation, extension: [{ url: "http://example.org/a" }] }, "Observation.extension[0]"],
  ["att-1", { ...patient, photo: [{ data: "QUJD" }] }, "Patient.photo[0]"],
  ["cpt-2", { ...patient, telecom: [{ value: "x" }] }, "Patient.telecom[0]"],
  ["rat-1", { ...observation, valueRatio: { numerator: { value: 1 } } }, "Observation.value"],
  [
    "obs-6",
    { ...observation, contained: [{ ...observation, id: "a", valueString: "x", dataAbsentReason: { text: "?" } }] },
    "Observation.contained[0]",
  ],
  ["org-1", { resourceType: "Organization", active: true }, "Organization"],
])("invariant %s is asked", (_, resource, at) => {
  expect(faults(resource as Members)).toContain(`invariant ${at}`);
});

/** Whether the reference implementation of the checks that this walk replaces finds an error. */
function libraryRefuses(resource: Members): boolean {
  try {
    validateResource(resource as unknown as Resource);
    return false;
  } catch (error) {
    return error instanceof OperationOutcomeError;
  }
}

const replacements: readonly unknown[] = [
  null,
  [],
  {},
  "",
  " ",
  "x",
  5,
  -1.5,
  true,
  [null],
  ["x"],
  [{}],
  { colour: 1 },
];

/** Every resource that differs from one at a single place. */
function* mutations(value: unknown): Generator<unknown> {
  yield* replacements;
  if (typeof value !== "object" || value === null) return;
  if (Array.isArray(value)) {
    yield value[0];
    for (const [i, one] of value.entries()) {
      for (const other of mutations(one)) yield value.with(i, other);
    }
    return;
  }
  yield [value];
  yield { ...value, colour: "red" };
  for (const [key, one] of Object.entries(value)) {
    const { [key]: _, ...rest } = value as Members;
    yield rest;
    yield { ...value, [`_${key}`]: { id: "a" } };
    for (const other of mutations(one)) yield { ...value, [key]: other };
  }
}

// The walk stands in for `validateResource` of @medplum/core, which takes ten times as long: whatever that refuses of
// our examples, changed at any one place in any of these ways, the walk refuses too.
const examples = readdirSync("seed/examples").filter((name) => name.endsWith(".json") && name !== "use-record.json");
test.each(examples)("whatever the library refuses of %s, changed at one place, is refused", (name) => {
  const example = JSON.parse(readFileSync(`seed/examples/${name}`, "utf8")) as Members;
  // Twenty components of one shape tell no more than three.
  if (Array.isArray(example.component)) example.component = example.component.slice(0, 3);
  let refusedByLibrary = 0;
  for (const changed of mutations(example)) {
    const resource = changed as Members;
    if (resource?.resourceType !== example.resourceType || !libraryRefuses(resource)) continue;
    refusedByLibrary += 1;
    if (faults(resource).length === 0) expect.unreachable(JSON.stringify(resource));
  }
  expect(refusedByLibrary).toBeGreaterThan(50);
});
