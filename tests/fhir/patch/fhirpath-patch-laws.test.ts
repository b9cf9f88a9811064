import fc from "fast-check";
import { expect, test } from "vitest";
import { applyFhirPathPatch } from "../../../src/fhir/patch/fhirpath-patch.ts";
import { parametersOf } from "./fhirpath-cases.ts";

const patient = {
  resourceType: "Patient",
  id: "p",
  name: [
    { use: "official", family: "Marsh", given: ["Ida", "May", "Joy"], _given: [null, { id: "m" }, null] },
    { use: "usual", given: ["Idi"] },
  ],
  birthDate: "1980-02-03",
  deceasedBoolean: false,
};

function patched(...operations: object[]): unknown {
  const found = applyFhirPathPatch(patient, parametersOf(...(operations as Record<string, unknown>[])));
  if (!found.ok) throw new Error(JSON.stringify(found.refusals));
  return found.value;
}

// https://hl7.org/fhir/R4/fhirpatch.html
test("an item inserted anywhere and deleted again leaves the resource as it was", () => {
  fc.assert(
    fc.property(fc.nat(3), fc.string({ minLength: 1 }), (index, valueString) => {
      const path = "Patient.name[0].given";
      const insert = { type: "insert", path, index, value: { valueString } };
      expect(patched(insert, { type: "delete", path: `${path}[${index}]` })).toEqual(patient);
    }),
  );
});

test("an item moved and moved back is where it was, with its extensions", () => {
  fc.assert(
    fc.property(fc.nat(2), fc.nat(2), (source, destination) => {
      const path = "Patient.name[0].given";
      const there = { type: "move", path, source, destination };
      expect(patched(there, { ...there, source: destination, destination: source })).toEqual(patient);
    }),
  );
});

const step = fc.constantFrom(
  "Patient",
  "name",
  "given",
  "[0]",
  "[9]",
  "where(use = 'usual')",
  "first()",
  "last()",
  "extension('a')",
  "birthDate",
  "deceased",
  "ofType(boolean)",
  "contained",
  "id",
  "$this",
  "(",
  ")",
  "'",
  "resourceType",
  "constructor",
  "%resource",
);
const soundPath = fc.constantFrom(
  "Patient",
  "Patient.name",
  "Patient.name[0]",
  "Patient.name[1].given",
  "Patient.name.given[1]",
  "Patient.name.where(use = 'usual')",
  "Patient.birthDate",
  "Patient.deceased",
  "Patient.photo",
);
const path = fc.oneof(
  soundPath,
  fc.array(step, { maxLength: 6 }).map((steps) => steps.join(".").replaceAll(".[", "[")),
  fc.string(),
);
const value = fc.oneof(
  fc.constantFrom(
    { valueString: "x" },
    { valueCode: "x" },
    { valueBoolean: true },
    { part: [{ name: "given", valueString: "x" }] },
  ),
  fc.jsonValue().map((valueString) => ({ valueString })),
);
const operation = fc.record({
  type: fc.constantFrom("add", "insert", "delete", "replace", "move"),
  path,
  name: fc.constantFrom("given", "name", "deceased", "extension", "gender", "__proto__"),
  index: fc.nat(4),
  source: fc.nat(4),
  destination: fc.nat(4),
  value,
});
const partsOf: Record<string, string[]> = {
  add: ["name", "value"],
  insert: ["index", "value"],
  delete: [],
  replace: ["value"],
  move: ["source", "destination"],
};
const fitting = operation.map((one) =>
  Object.fromEntries(
    Object.entries(one).filter(([name]) => ["type", "path", ...(partsOf[one.type] ?? [])].includes(name)),
  ),
);

test("any patch is applied or refused with a status of the client's, and leaves what it was given alone", () => {
  const before = JSON.stringify(patient);
  let applied = 0;
  fc.assert(
    fc.property(fc.array(fitting, { minLength: 1, maxLength: 3 }), (operations) => {
      const found = applyFhirPathPatch(patient, parametersOf(...operations));
      expect(JSON.stringify(patient)).toBe(before);
      if (found.ok) {
        applied += 1;
        expect(found.value).toMatchObject({ resourceType: "Patient", id: "p" });
      } else expect([400, 422]).toContain(found.refusals[0]?.status);
    }),
    { numRuns: 1000 },
  );
  // Some of both kinds, else the law says little.
  expect(applied).toBeGreaterThan(10);
  expect(applied).toBeLessThan(990);
});
