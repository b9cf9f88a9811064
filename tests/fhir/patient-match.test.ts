import type { Patient } from "@medplum/fhirtypes";
import { describe, expect, test } from "vitest";
import { matchPersons } from "../../src/domain/patient-match.ts";
import {
  foldName,
  type GradedMatch,
  matchBundleText,
  matchGradeUrl,
  personRecord,
  replacementOf,
} from "../../src/fhir/patient-match.ts";

const ada: Patient = {
  resourceType: "Patient",
  id: "ada",
  identifier: [
    { system: "urn:ward-number", value: "47 11" },
    { system: "urn:ward-number", value: "1", use: "old" },
    { system: "urn:no-value" },
  ],
  name: [
    { family: "Łukasz-Größe", given: ["Ada", "Zoë"] },
    { use: "maiden", family: "Harrow" },
  ],
  birthDate: "1984-03-07",
  gender: "female",
  telecom: [
    { system: "phone", value: "+44 7700 900 123" },
    { system: "email", value: " Ada@Harrow.Example" },
    { system: "url", value: "https://harrow.example" },
  ],
  address: [{ line: ["12 Mill Lane", "Flat 2"], city: "Northwick", postalCode: "ZZ1 2ZZ" }],
};

describe("what is compared of a Patient (https://hl7.org/fhir/R4/patient.html)", () => {
  test("names are folded, numbers are bare digits, blanks do not count", () => {
    expect(personRecord(ada)).toEqual({
      identifiers: [
        { system: "urn:ward-number", value: "4711", old: false },
        { system: "urn:ward-number", value: "1", old: true },
      ],
      names: [
        { family: "lukasz-grosse", given: ["ada", "zoe"] },
        { family: "harrow", given: [] },
      ],
      birthDate: "1984-03-07",
      gender: "female",
      phones: ["447700900123"],
      emails: ["ada@harrow.example"],
      postcodes: ["zz12zz"],
      cities: ["northwick"],
      lines: ["12 mill lane flat 2"],
      active: true,
    });
  });

  test("a Patient with nothing in it has nothing to compare, and is in use", () => {
    expect(personRecord({ resourceType: "Patient" })).toEqual({
      identifiers: [],
      names: [],
      phones: [],
      emails: [],
      postcodes: [],
      cities: [],
      lines: [],
      active: true,
    });
  });

  test("a date of death says that someone died, active false that the record is out of use", () => {
    const record = personRecord({ ...ada, deceasedDateTime: "2025-12-01", active: false });
    expect(record.deceased).toBe(true);
    expect(record.active).toBe(false);
    expect(personRecord({ ...ada, deceasedBoolean: false }).deceased).toBe(false);
  });

  test.each([
    ["Ada Zoë Harrow", { family: "harrow", given: ["ada", "zoe"] }],
    ["Harrow, Ada", { family: "harrow", given: ["ada"] }],
  ])("a name written as the text %s is read into its parts", (text, name) => {
    expect(personRecord({ resourceType: "Patient", name: [{ text }] }).names).toEqual([name]);
  });

  test("letters that have no plain form in Unicode are spelled out", () => {
    expect(foldName("Ørsted")).toBe("orsted");
    expect(foldName("ÆGIR  Þór")).toBe("aegir thor");
  });

  test("what is known from a replaced record counts, its birth date does not", () => {
    const before: Patient = {
      resourceType: "Patient",
      identifier: [{ system: "urn:ward-number", value: "9" }],
      birthDate: "1901-01-01",
    };
    const record = personRecord(ada, [before]);
    expect(record.identifiers.at(-1)).toEqual({ system: "urn:ward-number", value: "9", old: false });
    expect(record.birthDate).toBe("1984-03-07");
    expect(matchPersons(personRecord({ ...ada, identifier: before.identifier ?? [] }), record).grade).toBe("certain");
  });

  test("a record with very many names is compared by its first ones, without taking long", () => {
    const name = Array.from({ length: 5_000 }, (_, i) => ({ family: `f${i}`, given: [`g${i}`.repeat(50)] }));
    expect(personRecord({ resourceType: "Patient", name }).names.length).toBe(20);
  });
});

describe("a replaced Patient (https://hl7.org/fhir/R4/valueset-link-type.html)", () => {
  test("names the one that replaces it, and only a link of that type does", () => {
    const other = { reference: "Patient/new" };
    expect(replacementOf({ ...ada, link: [{ type: "replaced-by", other }] })).toBe("new");
    expect(replacementOf({ ...ada, link: [{ type: "replaces", other }] })).toBeUndefined();
    expect(replacementOf(ada)).toBeUndefined();
  });
});

describe("the answer (https://hl7.org/fhir/R4/patient-operation-match.html)", () => {
  const match: GradedMatch = {
    id: "ada",
    body: '{"resourceType":"Patient","id":"ada","x":1.50}',
    score: 0.97999,
    grade: "probable",
  };

  test("is a searchset whose entries carry score and grade, the stored text untouched", () => {
    const text = matchBundleText("https://gate.test/fhir", [match], [], 1);
    expect(text).toContain(match.body);
    const bundle = JSON.parse(text);
    expect(bundle.type).toBe("searchset");
    expect(bundle.total).toBe(1);
    expect(bundle.entry[0].fullUrl).toBe("https://gate.test/fhir/Patient/ada");
    // https://hl7.org/fhir/R4/extension-match-grade.html: on Bundle.entry.search, a code.
    expect(bundle.entry[0].search).toEqual({
      extension: [{ url: matchGradeUrl, valueCode: "probable" }],
      mode: "match",
      score: 0.9799,
    });
  });

  test("has no entry when nobody matches, and notes as an outcome at the end", () => {
    expect(JSON.parse(matchBundleText("https://gate.test/fhir", [], [], 0))).toEqual({
      resourceType: "Bundle",
      type: "searchset",
      total: 0,
    });
    const note = { severity: "warning", kind: "too-costly", text: "Too many." } as const;
    const { entry } = JSON.parse(matchBundleText("https://gate.test/fhir", [match], [note], 1));
    expect(entry[1].search).toEqual({ mode: "outcome" });
    expect(entry[1].resource.issue).toEqual([
      { severity: "warning", code: "too-costly", details: { text: "Too many." }, diagnostics: "Too many." },
    ]);
  });
});
