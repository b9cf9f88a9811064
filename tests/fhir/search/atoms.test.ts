import { evalFhirPathTyped, toTypedValue } from "@medplum/core";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import { compileAtom, hash64, operandIsOf, unionOperands } from "../../../src/fhir/search/atoms.ts";
import { fullResource } from "./full-resource.ts";

let all: Definitions;
beforeAll(() => {
  all = createDefinitions({ types: "all" });
});

// FIPS 180-4: SHA-256 of "abc" is ba7816bf 8f01cfea …; as a signed number that is negative.
test("a hash is the first eight bytes of SHA-256, the same when thousands of others came between", () => {
  const abc = String(BigInt.asIntN(64, 0xba7816bf_8f01cfean));
  expect(hash64("abc")).toBe(abc);
  for (let i = 0; i < 12_000; i += 1) hash64(`other ${i}`);
  expect(hash64("abc")).toBe(abc);
});

// The expressions are those of https://hl7.org/fhir/R4/searchparameter-registry.html.
test("a union is split at its outermost bars only", () => {
  expect(unionOperands("AllergyIntolerance.code | (Observation.value as CodeableConcept) | Device.type")).toEqual([
    "AllergyIntolerance.code",
    "(Observation.value as CodeableConcept)",
    "Device.type",
  ]);
  expect(unionOperands("Patient.name.where(use='a|b' or (given | family).exists())")).toHaveLength(1);
});

test("an operand belongs to the type it starts with, not to one whose name starts likewise", () => {
  expect(operandIsOf("Device", "Device.type")).toBe(true);
  expect(operandIsOf("Device", "DeviceRequest.code")).toBe(false);
  expect(operandIsOf("Goal", "(Goal.start as date)")).toBe(true);
});

// SHA-256 of "abc" begins ba7816bf 8f01cfea (FIPS 180-4, example in NIST's SHA256.pdf).
test("a key is the first eight bytes of SHA-256 as a signed number", () => {
  expect(hash64("abc")).toBe(BigInt.asIntN(64, 0xba7816bf8f01cfean).toString());
});

/** The interpreter takes the function `.as(T)` for no filter at all; `.ofType(T)` says the same and filters. */
function interpreted(operand: string, resource: object): unknown[] {
  const text = operand.replace(/\.as\((\w+)\)/g, ".ofType($1)");
  return evalFhirPathTyped(text, [toTypedValue(resource)]).map((typed) => typed.value as unknown);
}

test("plain reading and the FHIRPath interpreter find the same values in every parameter of every type", () => {
  const differing: string[] = [];
  let compared = 0;
  let found = 0;
  for (const type of all.types) {
    for (const variant of [0, 1, 2, 3]) {
      const resource = fullResource(type, variant);
      for (const parameter of all.parameters(type).values()) {
        for (const atom of parameter.atoms) {
          const read = atom.read(resource);
          compared += 1;
          if (read.length > 0) found += 1;
          if (JSON.stringify(read) !== JSON.stringify(interpreted(atom.text, resource))) differing.push(atom.text);
        }
      }
    }
  }
  expect([...new Set(differing)]).toEqual([]);
  expect(compared).toBeGreaterThan(4_000);
  // Most parameters have a value in a resource that has every element.
  expect(found / compared).toBeGreaterThan(0.6);
});

test("every parameter finds its value in one variant or another of a resource that has every element", () => {
  const never = new Set<string>();
  for (const type of all.types) {
    const variants = Array.from({ length: 42 }, (_, variant) => fullResource(type, variant));
    for (const parameter of all.parameters(type).values()) {
      for (const atom of parameter.atoms) {
        if (!variants.some((resource) => atom.read(resource).length > 0)) never.add(atom.text);
      }
    }
  }
  // What a Bundle holds is of any type, and the resource of this test is of none.
  expect([...never]).toEqual(["Bundle.entry[0].resource"]);
});

test("a filter on the type keeps absolute references and logical ones that name their type", () => {
  const atom = compileAtom(
    "Observation",
    "reference",
    "Observation.subject.where(resolve() is Patient)",
    () => [],
    () => [],
  );
  const subject = (value: object) => atom.read({ resourceType: "Observation", subject: value });
  expect(subject({ reference: "https://other.example/fhir/Patient/1" })).toHaveLength(1);
  expect(subject({ type: "Patient", identifier: { value: "7" } })).toHaveLength(1);
  expect(subject({ reference: "Group/1" })).toEqual([]);
  expect(subject({ display: "nobody" })).toEqual([]);
});

test("whatever is no plain path goes to the interpreter", () => {
  const atom = compileAtom(
    "Patient",
    "token",
    "Patient.deceased.exists() and Patient.deceased != false",
    () => [],
    (operand) => [`interpreted: ${operand}`],
  );
  expect(atom.read({ resourceType: "Patient" })).toEqual([
    "interpreted: Patient.deceased.exists() and Patient.deceased != false",
  ]);
});
