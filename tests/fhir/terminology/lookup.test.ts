import type { CodeSystem, Parameters } from "@medplum/fhirtypes";
import { expect, test } from "vitest";
import { type CodeSources, codeTableOf } from "../../../src/fhir/terminology/code-table.ts";
import { heldTerminology } from "../../../src/fhir/terminology/held-terminology.ts";
import { conceptAskedFor, type LookupInput, lookUp } from "../../../src/fhir/terminology/lookup.ts";

// Everything here from https://hl7.org/fhir/R4/codesystem-operation-lookup.html unless another page is named.
/** What the page's example knows of LOINC. */
const loinc: CodeSystem = {
  resourceType: "CodeSystem",
  url: "http://loinc.org",
  name: "LOINC",
  version: "2.48",
  status: "active",
  content: "fragment",
  concept: [
    {
      code: "1963-8",
      display: "Bicarbonate [Moles/volume] in Serum",
      designation: [{ value: "Bicarbonate [Moles/volume] in Serum" }],
    },
  ],
};
const loincTable = codeTableOf(loinc);
const sources: CodeSources = {
  codeTable: (url) => (url === "http://loinc.org" ? loincTable : heldTerminology.codeTable(url)),
  codeList: heldTerminology.codeList,
};

function answer(input: Partial<LookupInput>) {
  return lookUp(sources, { property: [], ...input });
}

function found(input: Partial<LookupInput>): NonNullable<Parameters["parameter"]> {
  const result = answer(input);
  if (!result.ok) throw new Error(result.refusals[0]?.detail);
  return result.value.parameter ?? [];
}

/** Properties by name, with their values. */
const properties = (parameters: NonNullable<Parameters["parameter"]>) =>
  parameters
    .filter((one) => one.name === "property")
    .map(({ part = [] }) => {
      const value = part.find((one) => one.name === "value");
      return [
        part.find((one) => one.name === "code")?.valueCode,
        value?.valueCode ?? value?.valueString ?? value?.valueBoolean,
      ];
    });

test("the page's example: name, version, display, abstract and designation, by code and by coding", () => {
  const printed = [
    { name: "name", valueString: "LOINC" },
    { name: "version", valueString: "2.48" },
    { name: "display", valueString: "Bicarbonate [Moles/volume] in Serum" },
    // The page prints the text "false"; a boolean is what is meant.
    { name: "abstract", valueBoolean: false },
    { name: "designation", part: [{ name: "value", valueString: "Bicarbonate [Moles/volume] in Serum" }] },
  ];
  expect(found({ system: "http://loinc.org", code: "1963-8" })).toEqual(printed);
  expect(found({ coding: { system: "http://loinc.org", code: "1963-8" } })).toEqual(printed);
});

test("an unknown code is refused with 400 and the issue type not-found, as the page prints it", () => {
  expect(answer({ system: "http://loinc.org", code: "ABC-23" })).toMatchObject({
    ok: false,
    refusals: [{ kind: "not-found", status: 400, detail: 'The code "ABC-23" is not in http://loinc.org.' }],
  });
  expect(answer({ system: "http://snomed.example/sct", code: "1" })).toMatchObject({
    refusals: [{ kind: "not-found" }],
  });
});

test("another version than the one held is refused", () => {
  expect(answer({ system: "http://loinc.org", code: "1963-8", version: "2.49" })).toMatchObject({ ok: false });
  expect(answer({ system: "http://loinc.org", code: "1963-8", version: "2.48" })).toMatchObject({ ok: true });
});

test("system and code come together, in one way", () => {
  const property: string[] = [];
  for (const input of [{}, { code: "1" }, { system: "urn:x" }, { coding: { code: "1" } }]) {
    expect(conceptAskedFor({ ...input, property })).toMatchObject({ ok: false, refusals: [{ status: 400 }] });
  }
  const coding = { system: "urn:x", code: "1" };
  expect(conceptAskedFor({ coding, code: "1", property })).toMatchObject({ ok: false });
  expect(conceptAskedFor({ coding, property })).toMatchObject({ ok: true, value: coding });
});

test("definition, parent and child are properties of every concept", () => {
  // https://hl7.org/fhir/R4/codesystem-issue-type.html: `required` under `invalid`, which has children of its own.
  const system = "http://hl7.org/fhir/issue-type";
  const required = found({ system, code: "required" });
  expect(properties(required)).toContainEqual(["definition", "A required element is missing."]);
  expect(properties(required)).toContainEqual(["parent", "invalid"]);
  const children = properties(found({ system, code: "invalid", property: ["child"] }));
  expect(children).toEqual(["structure", "required", "value", "invariant"].map((code) => ["child", code]));
});

test("properties of the code system itself are answered with their types", () => {
  const parameters = found({
    system: "http://terminology.hl7.org/CodeSystem/v3-ActMood",
    code: "_ActMoodDesire",
    property: ["notSelectable"],
  });
  expect(parameters).toContainEqual({ name: "abstract", valueBoolean: true });
  expect(properties(parameters)).toEqual([["notSelectable", true]]);
});

test("only the properties that are asked for come, with designations when those are", () => {
  const asked = { system: "http://terminology.hl7.org/CodeSystem/v2-0001", code: "F" };
  const names = (property: string[]) => new Set(found({ ...asked, property }).map((one) => one.name));
  expect(names(["designation"]).has("designation")).toBe(true);
  expect(names(["lang.nl"]).has("designation")).toBe(true);
  expect(names(["definition"]).has("designation")).toBe(false);
});

test("our own codes are found", () => {
  const system = "https://tidegate.example/fhir/CodeSystem/interface";
  expect(found({ system, code: "mouthpiece" })).toContainEqual({ name: "display", valueString: "Mouthpiece" });
});
