import type { Patient } from "@medplum/fhirtypes";
import { describe, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { type MatchKeys, matchKeys } from "../../src/fhir/match-keys.ts";
import { extractIndexValues } from "../../src/fhir/search/extract.ts";

const definitions = createDefinitions({ types: ["Patient"] });

function keysOf(patient: Omit<Patient, "resourceType">): MatchKeys {
  const keys = matchKeys(definitions, { resourceType: "Patient", ...patient });
  if (!keys.ok) throw new Error(JSON.stringify(keys.refusals));
  return keys.value;
}

const stored = (patient: Omit<Patient, "resourceType">) =>
  extractIndexValues(definitions, { resourceType: "Patient", ...patient });

const shared = (one: readonly string[], other: readonly string[]) => one.filter((value) => other.includes(value));

// The index is made from the R4 search parameters of Patient (https://hl7.org/fhir/R4/patient.html#search).
describe("what candidates are found by", () => {
  test("an identifier finds the same one, one stored without a system, and one written without blanks", () => {
    const keys = keysOf({ identifier: [{ system: "urn:ward-number", value: "47 11" }] });
    for (const identifier of [{ system: "urn:ward-number", value: "4711" }, { value: "47 11" }]) {
      expect(shared(keys.identifierTerms, stored({ identifier: [identifier] }).terms).length).toBe(1);
    }
    const other = stored({ identifier: [{ system: "urn:insurance", value: "4711" }] });
    expect(shared(keys.identifierTerms, other.terms)).toEqual([]);
  });

  test("phone numbers and mail addresses find themselves, also written with signs and blanks", () => {
    const keys = keysOf({
      telecom: [
        { system: "phone", value: "+44 7700 900123" },
        { system: "email", value: "Ada@harrow.example" },
      ],
    });
    for (const value of ["+44 7700 900123", "447700900123", "+447700900123"]) {
      expect(shared(keys.contactTerms, stored({ telecom: [{ system: "phone", value }] }).terms).length).toBe(1);
    }
    const mail = stored({ telecom: [{ system: "email", value: "ada@harrow.example" }] });
    expect(shared(keys.contactTerms, mail.terms).length).toBe(1);
  });

  test("names, halves of double names and postcodes are those of the index", () => {
    const keys = keysOf({
      name: [{ family: "Größe-Quill", given: ["Zoë"] }],
      address: [{ postalCode: "ZZ1 2ZZ" }],
      birthDate: "1984-03-07",
    });
    const strings = stored({
      name: [{ family: "Quill", given: ["Zoe"] }],
      address: [{ postalCode: "ZZ1 2ZZ" }],
    }).strings;
    const foldedUnder = (codes: readonly string[]) =>
      strings.filter(({ key }) => codes.includes(key)).map(({ folded }) => folded);
    expect(shared(foldedUnder(keys.familyKeys), keys.names)).toEqual(["quill"]);
    expect(shared(foldedUnder(keys.givenKeys), keys.names)).toEqual(["zoe"]);
    expect(shared(foldedUnder(keys.postcodeKeys), keys.postcodes)).toEqual(["zz1 2zz"]);
  });

  test.each(["1984-03-07", "1984-07-03", "1948-03-07", "1984-03", "1984"])(
    "the birth date 1984-03-07 finds records of %s",
    (birthDate) => {
      const keys = keysOf({ birthDate: "1984-03-07", name: [{ family: "Harrow" }] });
      const found = stored({ birthDate }).dates.filter(
        ({ key, lowMs }) =>
          keys.birthDateKeys.includes(key) &&
          keys.birthDates.some((range) => lowMs >= range.lowMs && lowMs < range.highMs),
      );
      expect(found.length).toBe(1);
    },
  );

  test("a birth date known to the month finds every day of it", () => {
    const [range] = keysOf({ birthDate: "1984-03", name: [{ family: "Harrow" }] }).birthDates;
    expect(range).toEqual({ lowMs: Date.UTC(1984, 2, 1), highMs: Date.UTC(1984, 3, 1) });
  });
});

describe("a Patient with too little to match on (https://hl7.org/fhir/R4/patient-operation-match.html)", () => {
  test.each<[string, Omit<Patient, "resourceType">]>([
    ["nothing", {}],
    ["a birth date alone", { birthDate: "1984-03-07" }],
    ["a family name alone", { name: [{ family: "Harrow" }] }],
    ["a postcode and a city", { address: [{ city: "Northwick", postalCode: "ZZ1 2ZZ" }] }],
    ["an identifier without a value", { identifier: [{ system: "urn:ward-number" }] }],
    ["gender and id", { gender: "female", id: "ada" }],
  ])("%s is a bad request that says what is needed", (_, patient) => {
    const keys = matchKeys(definitions, { resourceType: "Patient", ...patient });
    expect(keys.ok).toBe(false);
    if (keys.ok) return;
    expect(keys.refusals[0]?.status).toBe(400);
    expect(keys.refusals[0]?.detail).toContain("Send an identifier");
  });

  test.each<[string, Omit<Patient, "resourceType">]>([
    ["a name as text", { name: [{ text: "Ada Harrow" }] }],
    ["family and given name", { name: [{ family: "Harrow", given: ["Ada"] }] }],
    ["birth date and postcode", { birthDate: "1984-03-07", address: [{ postalCode: "ZZ1 2ZZ" }] }],
    ["a phone number", { telecom: [{ system: "phone", value: "07700 900123" }] }],
  ])("%s is enough", (_, patient) => {
    expect(matchKeys(definitions, { resourceType: "Patient", ...patient }).ok).toBe(true);
  });
});
