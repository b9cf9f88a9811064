import type { Bundle } from "@medplum/fhirtypes";
import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { peopleShown } from "../../src/fhir/people-shown.ts";

describe("the people whom an answer is about", () => {
  test.each<[string, object, string[]]>([
    ["a reference", { resourceType: "Task", for: { reference: "Patient/anna" } }, ["anna"]],
    ["an absolute reference", { subject: { reference: "https://gate.test/fhir/Patient/anna" } }, ["anna"]],
    ["a reference to a version", { subject: { reference: "Patient/anna/_history/3" } }, ["anna"]],
    ["the address of an entry", { entry: [{ fullUrl: "https://gate.test/fhir/Patient/b.2" }] }, ["b.2"]],
    ["each once, in order", [{ a: "Patient/b" }, { a: "Patient/a" }, { a: "Patient/b" }], ["b", "a"]],
    ["our own doors' rows", { rows: [{ patientId: "p1" }, { patientId: "p2" }] }, ["p1", "p2"]],
    ["no other type", { a: "RelatedPatient/x", b: "Device/Patient", c: "see Patient/x for more" }, []],
    ["nobody", {}, []],
  ])("%s", (_, answer, people) => {
    expect(peopleShown(JSON.stringify(answer))).toEqual(people);
    expect(peopleShown(JSON.stringify(answer, null, 2))).toEqual(people);
  });

  test("whatever an id may be (https://hl7.org/fhir/R4/datatypes.html#id)", () => {
    fc.assert(
      fc.property(fc.stringMatching(/^[A-Za-z0-9.-]{1,64}$/), (id) => {
        const bundle: Bundle = {
          resourceType: "Bundle",
          type: "searchset",
          entry: [{ fullUrl: `/fhir/Patient/${id}` }],
        };
        expect(peopleShown(JSON.stringify(bundle))).toEqual([id]);
      }),
    );
  });
});
