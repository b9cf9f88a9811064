import { expect, test } from "vitest";
import { type ElementShape, elementOf } from "../../../src/fhir/patch/element.ts";
import { builtValue } from "../../../src/fhir/patch/part-value.ts";

function element(type: string, name: string): ElementShape {
  const found = elementOf(type, name);
  if (found === undefined) throw new Error(`no ${type}.${name}`);
  return found;
}

function built(part: unknown, shape: ElementShape) {
  const found = builtValue(part, shape);
  if (!found.ok) throw new Error(found.refusals[0]?.detail);
  return found.value;
}

// https://hl7.org/fhir/R4/fhirpatch.html
test("a value[x] gives its value, its type and, of a choice, the member", () => {
  expect(built({ valueDate: "1980" }, element("Patient", "birthDate"))).toEqual({
    type: "date",
    member: "birthDate",
    item: { main: "1980" },
  });
  expect(built({ valueDateTime: "2020" }, element("Patient", "deceased"))).toMatchObject({
    member: "deceasedDateTime",
  });
});

// https://hl7.org/fhir/R4/json.html#primitive
test("the extensions of a primitive value come along, with or without a value", () => {
  const _valueDate = { extension: [{ url: "http://example.org/a", valueCode: "b" }] };
  expect(built({ valueDate: "1980", _valueDate }, element("Patient", "birthDate")).item).toEqual({
    main: "1980",
    beside: _valueDate,
  });
  expect(built({ _valueDate }, element("Patient", "birthDate")).item).toEqual({ beside: _valueDate });
});

test("parts build what no value[x] can hold, lists and extensions of their primitives too", () => {
  const mark = { id: "m" };
  const part = [
    { name: "bounds", valuePeriod: { start: "2026-01-01" } },
    { name: "when", valueCode: "AFT", _valueCode: mark },
    { name: "when", valueCode: "HS" },
    { name: "frequency", valuePositiveInt: 2 },
  ];
  expect(built({ part }, element("Timing", "repeat")).item.main).toEqual({
    boundsPeriod: { start: "2026-01-01" },
    when: ["AFT", "HS"],
    _when: [mark, null],
    frequency: 2,
  });
});

test.each([
  ["a value of another type", { valueInteger: 3 }, element("Patient", "birthDate")],
  ["a type that the choice does not have", { valueQuantity: {} }, element("Patient", "deceased")],
  ["a value and parts", { valueDate: "1980", part: [] }, element("Patient", "birthDate")],
  ["two values", { valueDateTime: "1980", valueBoolean: true }, element("Patient", "deceased")],
  ["null", { valueDate: null }, element("Patient", "birthDate")],
  ["no value at all", { name: "value" }, element("Patient", "birthDate")],
  ["no parts", { part: [] }, element("Patient", "contact")],
  ["parts that are no list", { part: {} }, element("Patient", "contact")],
  ["parts for a choice", { part: [{ name: "value", valueDecimal: 1 }] }, element("Observation", "value")],
  ["a resource in place of a name", { resource: { resourceType: "Patient" } }, element("Patient", "name")],
  ["a part of a name that does not repeat, twice", { part: twice("gender", "male") }, element("Patient", "contact")],
  ["an object with 1,001 members", { valueHumanName: crowded() }, element("Patient", "name")],
  ["a text in place of a part", "value", element("Patient", "name")],
])("%s is refused as a wrong value", (_name, part, shape) => {
  expect(builtValue(part, shape)).toMatchObject({ ok: false, refusals: [{ kind: "value", status: 422 }] });
});

test("a part that the element does not have is refused", () => {
  const part = [{ name: "colour", valueString: "red" }];
  expect(builtValue({ part }, element("Patient", "contact"))).toMatchObject({ refusals: [{ status: 422 }] });
});

function twice(name: string, valueCode: string): object[] {
  return [
    { name, valueCode },
    { name, valueCode },
  ];
}

function crowded(): object {
  return Object.fromEntries(Array.from({ length: 1001 }, (_, i) => [`x${i}`, i]));
}
