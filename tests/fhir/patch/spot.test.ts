import { expect, test } from "vitest";
import { elementOf } from "../../../src/fhir/patch/element.ts";
import { contentOf, itemsOf, type Place, type Spot, withContent, withItems } from "../../../src/fhir/patch/spot.ts";

const root: Spot = { type: "Patient", index: 0 };

function placeOf(parent: Spot, name: string): Place {
  const element = elementOf(parent.type, name);
  const type = element?.types[0];
  if (element === undefined || type === undefined) throw new Error(`no ${name}`);
  return { parent, element, type, member: name };
}

const firstName: Spot = { type: "HumanName", place: placeOf(root, "name"), index: 0 };
const given = placeOf(firstName, "given");
const marked = { id: "marked" };

// https://hl7.org/fhir/R4/json.html#primitive: `_given` holds what JSON cannot hang on a text, null where there is none.
const patient = { resourceType: "Patient", name: [{ given: ["Ida", "May"], _given: [null, marked] }] };

test("the items of a list of primitives carry what stands beside them", () => {
  expect(itemsOf(patient, given)).toEqual([{ main: "Ida" }, { main: "May", beside: marked }]);
});

test("an absent element has no items", () => {
  expect(itemsOf(patient, placeOf(root, "telecom"))).toEqual([]);
  expect(itemsOf(patient, placeOf({ ...firstName, index: 1 }, "given"))).toEqual([]);
});

test("the content of an element is its object, of a primitive what stands beside it", () => {
  expect(contentOf(patient, root)).toBe(patient);
  expect(contentOf(patient, firstName)).toBe(patient.name[0]);
  expect(contentOf(patient, { type: "string", place: given, index: 1 })).toBe(marked);
});

test("items are written back with null only where the other has something", () => {
  const written = withItems(patient, given, [{ beside: marked }, { main: "Ida" }]);
  expect(written).toEqual({ resourceType: "Patient", name: [{ given: [null, "Ida"], _given: [marked, null] }] });
  expect(withItems(patient, given, [{ main: "Ida" }])).toEqual({ resourceType: "Patient", name: [{ given: ["Ida"] }] });
});

// https://hl7.org/fhir/R4/json.html: "Objects are never empty", "an array … cannot be empty".
test("parents that would be empty go with their last child", () => {
  expect(withItems(patient, given, [])).toEqual({ resourceType: "Patient" });
  const two = { ...patient, name: [...patient.name, { family: "Marsh" }] };
  expect(withItems(two, given, [])).toEqual({ resourceType: "Patient", name: [{ family: "Marsh" }] });
});

test("content given to a primitive stands beside it, with or without a value", () => {
  const birthDate: Spot = { type: "date", place: placeOf(root, "birthDate"), index: 0 };
  const dated = { resourceType: "Patient", birthDate: "1980" };
  expect(withContent(dated, birthDate, marked)).toEqual({ ...dated, _birthDate: marked });
  expect(withContent({ ...dated, _birthDate: marked }, birthDate, {})).toEqual(dated);
  expect(withContent({ resourceType: "Patient", _birthDate: marked }, birthDate, {})).toEqual({
    resourceType: "Patient",
  });
});
