import type { ValueSet } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions } from "../../../src/fhir/definitions.ts";
import { checkResource } from "../../../src/fhir/resource-check.ts";
import { codeListOf } from "../../../src/fhir/terminology/code-table.ts";
import { type ExpandOptions, expandValueSet, mostCodesInAnswer } from "../../../src/fhir/terminology/expand.ts";
import { heldTerminology } from "../../../src/fhir/terminology/held-terminology.ts";

// Everything here from https://hl7.org/fhir/R4/valueset-operation-expand.html unless another page is named.
const given = { sources: heldTerminology, nowIso: "2026-03-01T08:00:00.000Z", id: "3f0e" };

function expansion(url: string, options: ExpandOptions = {}) {
  const list = heldTerminology.codeList(url);
  if (list === undefined) throw new Error(`${url} is held`);
  return expandValueSet(list, options, given);
}

function expanded(url: string, options: ExpandOptions = {}) {
  const result = expansion(url, options);
  if (!result.ok) throw new Error(result.refusals[0]?.detail);
  return result.value;
}

const gender = "http://hl7.org/fhir/ValueSet/administrative-gender";
const actMood = "http://terminology.hl7.org/ValueSet/v3-ActMood";
const codes = (valueSet: ValueSet) => valueSet.expansion?.contains?.map((one) => one.code);

beforeAll(() => {
  createDefinitions({ types: "default" });
});

test("an expansion names the value set, itself, its time and how many codes there are, and is a valid ValueSet", () => {
  const valueSet = expanded(gender);
  expect(valueSet).toMatchObject({ resourceType: "ValueSet", url: gender, version: "4.0.1", id: "3f0e" });
  expect(valueSet.expansion).toMatchObject({
    identifier: "urn:uuid:3f0e",
    timestamp: "2026-03-01T08:00:00.000Z",
    total: 4,
    offset: 0,
  });
  expect(valueSet.expansion?.contains?.[0]).toEqual({
    system: "http://hl7.org/fhir/administrative-gender",
    version: "4.0.1",
    code: "male",
    display: "Male",
  });
  expect(valueSet.compose).toBeUndefined();
  expect(checkResource(createDefinitions({ types: "default" }), valueSet, "ValueSet")).toEqual([]);
});

test("the definition comes along when it is asked for", () => {
  expect(expanded(gender, { includeDefinition: true }).compose?.include).toHaveLength(1);
});

test("the filter takes beginnings of words, of which each has to be met, whatever the capitals", () => {
  // The parameter's own example of left matching: "acut ast".
  const valueSet = codeListOf({
    resourceType: "ValueSet",
    status: "active",
    compose: {
      include: [
        {
          system: "urn:x",
          concept: [
            { code: "1", display: "Acute asthma" },
            { code: "2", display: "Chronic asthma" },
            { code: "3", display: "Subacute asthma" },
          ],
        },
      ],
    },
  });
  const found = expandValueSet(valueSet, { filter: "ACUT ast" }, given);
  expect(found.ok && codes(found.value)).toEqual(["1"]);
  expect(expanded(gender, { filter: "fem" }).expansion).toMatchObject({
    total: 1,
    parameter: [{ name: "filter", valueString: "fem" }],
  });
});

test("pages follow each other without gap or overlap, and total stays the whole", () => {
  const pages = [0, 3, 6].map((offset) =>
    expanded("http://hl7.org/fhir/ValueSet/observation-status", { offset, count: 3 }),
  );
  expect(pages.flatMap(codes)).toEqual(codes(expanded("http://hl7.org/fhir/ValueSet/observation-status")));
  expect(pages.map((one) => one.expansion?.total)).toEqual([8, 8, 8]);
  expect(pages.map((one) => one.expansion?.offset)).toEqual([0, 3, 6]);
});

test("count 0 asks how large the expansion is, and an offset past the end answers none", () => {
  expect(expanded(gender, { count: 0 }).expansion).toMatchObject({ total: 4 });
  expect(expanded(gender, { count: 0 }).expansion?.contains).toBeUndefined();
  expect(expanded(gender, { offset: 10 }).expansion?.contains).toBeUndefined();
  expect(expansion(gender, { offset: -1 })).toMatchObject({ ok: false, refusals: [{ status: 400 }] });
});

test("more than the bound at once is too costly and says so; in pages it is answered", () => {
  // "the server MAY return an error (OperationOutcome with code too-costly)"
  const big = "http://terminology.hl7.org/ValueSet/v3-ActCode";
  expect(expansion(big)).toMatchObject({
    ok: false,
    refusals: [{ kind: "too-costly", detail: expect.stringContaining("1000 at most") }],
  });
  const page = expanded(big, { count: mostCodesInAnswer });
  expect(page.expansion?.contains).toHaveLength(1000);
  expect(page.expansion?.total).toBeGreaterThan(1000);
});

test("retired concepts are marked inactive, and left out when only active ones are asked for", () => {
  const act = "http://terminology.hl7.org/ValueSet/v3-ActClass";
  const inactive = expanded(act).expansion?.contains?.filter((one) => one.inactive) ?? [];
  expect(inactive.length).toBeGreaterThan(0);
  const active = expanded(act, { activeOnly: true }).expansion;
  expect(active?.contains?.some((one) => one.inactive)).toBe(false);
  expect(active?.total).toBe((expanded(act).expansion?.total ?? 0) - inactive.length);
});

test("concepts that only group others are marked abstract, and left out of what is not for a user interface", () => {
  // https://hl7.org/fhir/R4/v3/ActMood/cs.html shows _ActMoodDesire … as abstract.
  const found = expanded(actMood).expansion?.contains?.find((one) => one.code === "_ActMoodDesire");
  expect(found?.abstract).toBe(true);
  expect(codes(expanded(actMood, { excludeNotForUI: true }))).not.toContain("_ActMoodDesire");
});

test("what cannot be listed is an error and never a part of the codes", () => {
  // "When a server cannot correctly expand a value set … it SHALL return an error."
  expect(expansion("http://hl7.org/fhir/ValueSet/clinical-findings")).toMatchObject({
    ok: false,
    refusals: [{ kind: "not-supported", status: 422 }],
  });
});
