import { describe, expect, test } from "vitest";
import {
  isAboutOnly,
  linkedPatients,
  patientsIn,
  traitsOf,
  unversioned,
  withoutReferences,
} from "../../src/fhir/erasure.ts";
import { storedExact } from "../../src/fhir/json.ts";

const erased = {
  has: (reference: string) => unversioned(reference) === "Patient/1",
  identifiers: new Set(["ZX-1"]),
};

// https://hl7.org/fhir/R4/extension-data-absent-reason.html with a code of https://hl7.org/fhir/R4/valueset-data-absent-reason.html
const masked = {
  extension: [{ url: "http://hl7.org/fhir/StructureDefinition/data-absent-reason", valueCode: "masked" }],
};

describe("references to somebody erased", () => {
  test("are masked wherever they stand, with their display, and the narrative goes", () => {
    const group = {
      resourceType: "Group",
      text: { status: "generated", div: "<div>Name</div>" },
      contained: [{ resourceType: "Provenance", target: [{ reference: "Patient/1/_history/3", display: "Name" }] }],
      member: [{ entity: { reference: "Patient/1", display: "Name" } }, { entity: { reference: "Patient/2" } }],
    };
    expect(withoutReferences(group, erased)).toEqual({
      resourceType: "Group",
      contained: [{ resourceType: "Provenance", target: [masked] }],
      member: [{ entity: masked }, { entity: { reference: "Patient/2" } }],
    });
  });

  test("are known by the person's identifier alone as well", () => {
    const reference = { type: "Patient", identifier: { system: "https://a.example", value: "ZX-1" }, display: "Name" };
    expect(withoutReferences({ resourceType: "Flag", subject: reference }, erased)).toEqual({
      resourceType: "Flag",
      subject: masked,
    });
  });

  test("leave alone what only looks like one: an identifier of another element, a longer id, an address elsewhere", () => {
    const other = {
      resourceType: "List",
      identifier: [{ value: "ZX-1" }],
      subject: { reference: "Patient/12" },
      source: { reference: "https://elsewhere.example/Patient/1" },
    };
    expect(withoutReferences(other, erased)).toBeUndefined();
  });

  test("leave numbers as they were written", () => {
    const text =
      '{"resourceType":"Observation","valueQuantity":{"value":1.50},"performer":[{"reference":"Patient/1"}]}';
    expect(JSON.stringify(withoutReferences(storedExact(text), erased))).toContain('"value":1.50');
  });
});

describe("a resource without a subject that names the person", () => {
  test("goes with the person where it names nobody else and could be in a compartment", () => {
    expect(isAboutOnly("1", "Appointment", new Set(["1"]))).toBe(true);
    expect(isAboutOnly("1", "Binary", new Set(["1"]))).toBe(true);
  });

  test("stays where it names somebody else, or stands for several, or tells of nobody", () => {
    expect(isAboutOnly("1", "Appointment", new Set(["1", "2"]))).toBe(false);
    expect(isAboutOnly("1", "Group", new Set(["1"]))).toBe(false);
    expect(isAboutOnly("1", "Organization", new Set(["1"]))).toBe(false);
  });

  test("says whom it names by references and by addresses", () => {
    const body = '{"a":{"reference":"Patient/1"},"fullUrl":"https://a.example/fhir/Patient/2","b":"no Patient/3"}';
    expect(patientsIn(body)).toEqual(["1", "2"]);
  });
});

test("the traits of a person come from all versions, without what would be found everywhere", () => {
  const versions = [
    {
      resourceType: "Patient" as const,
      identifier: [{ value: "ZX-1" }, { value: "7" }],
      name: [{ family: "Former", given: ["Ida"] }],
    },
    {
      resourceType: "Patient" as const,
      identifier: [{ value: "ZX-1" }],
      name: [{ family: "Li" }, { text: "Ida Latter" }],
      telecom: [{ value: " 0163 " }],
    },
  ];
  expect(traitsOf(versions)).toEqual({ identifiers: ["ZX-1"], others: ["Former", "Ida Latter", "0163"] });
});

test("linked records are those of every kind of link, each once", () => {
  const link = (id: string, type: "seealso" | "replaces") => ({ other: { reference: `Patient/${id}` }, type });
  const versions = [
    { resourceType: "Patient" as const, link: [link("3", "seealso")] },
    { resourceType: "Patient" as const, link: [link("2", "replaces"), link("3", "replaces")] },
    { resourceType: "Patient" as const, link: [{ other: { reference: "RelatedPerson/4" }, type: "seealso" as const }] },
  ];
  expect(linkedPatients(versions)).toEqual(["2", "3"]);
});
