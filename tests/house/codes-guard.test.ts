import { describe, expect, test } from "vitest";
import {
  codeFile,
  differences,
  type EvidencedCode,
  faultsOfEvidence,
  loinc,
  mdc,
  rawCodes,
  snomed,
  ucum,
  unevidencedCodings,
} from "./codes.ts";

const heartRate: EvidencedCode = {
  system: loinc,
  code: "8867-4",
  display: "Heart rate",
  source: "FHIR R4 vital-signs profile (hl7.org/fhir/R4/heartrate.html)",
  tag: "READ",
};

describe("a planted breach is caught", () => {
  test("a code shipped without evidence", () => {
    expect(differences([heartRate], [])).toEqual(["http://loinc.org|8867-4 is shipped without evidence"]);
  });

  test("evidence of a code that nobody ships", () => {
    expect(differences([], [heartRate])).toEqual(["http://loinc.org|8867-4 has evidence and is not shipped"]);
  });

  test("a display that is not the one in the evidence", () => {
    expect(differences([{ ...heartRate, display: "Pulse" }], [heartRate])).toEqual([
      'http://loinc.org|8867-4 is shipped as "Pulse", its evidence says "Heart rate"',
    ]);
  });

  test.each<[fault: string, line: Partial<EvidencedCode>]>([
    ["is tagged MEM, not READ or READ-2", { tag: "MEM" }],
    ["has no source", { source: " " }],
    ["has no display", { display: "" }],
    ["fails LOINC's check digit", { code: "8867-5" }],
    ["fails SNOMED CT's check digit", { system: snomed, code: "787180007" }],
    ["is no 32-bit code of a published partition", { system: mdc, code: "18456" }],
    ["is tagged READ, not own", { system: "https://tidegate.example/fhir/CodeSystem/planted" }],
  ])("evidence that %s", (fault, line) => {
    const planted = { ...heartRate, ...line };
    expect(faultsOfEvidence([planted])).toEqual([`${planted.system}|${planted.code} ${fault}`]);
  });

  test("the same line twice", () => {
    expect(faultsOfEvidence([heartRate, heartRate])).toEqual(["http://loinc.org|8867-4 stands twice"]);
  });

  test.each([
    'const coding = { system: "http://loinc.org", code: other };',
    "const coding = { system: 'http://snomed.info/sct' };",
    "const key = `urn:iso:std:iso:11073:10101|150456`;",
    'const code = "8867-4";',
    'const code = "787180006";',
  ])("a raw code in another file: %s", (text) => {
    expect(rawCodes([{ path: "src/fhir/planted.ts", text }])).toHaveLength(1);
    expect(rawCodes([{ path: "seed/planted.ts", text }])).toHaveLength(1);
    expect(rawCodes([{ path: codeFile, text }])).toEqual([]);
  });

  test("a sentence about a code, a date and a year-month are none", () => {
    const text = '// "8867-4" of "http://loinc.org"\nconst words = ["2026-03-29", "2026-03", "heart rate 8867-4"];';
    expect(rawCodes([{ path: "src/fhir/planted.ts", text }])).toEqual([]);
  });

  test("a coding deep in an example resource", () => {
    const example = { resourceType: "Observation", code: { coding: [{ system: ucum, code: "cmH2O" }] } };
    const file = { path: "seed/planted.json", text: JSON.stringify(example) };
    expect(unevidencedCodings([file], [heartRate])).toEqual(["seed/planted.json: http://unitsofmeasure.org|cmH2O"]);
  });
});
