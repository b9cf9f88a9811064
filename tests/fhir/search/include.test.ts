import type { Resource } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import { extractIndexValues } from "../../../src/fhir/search/extract.ts";
import { includedReferences, revincludeTerms } from "../../../src/fhir/search/include.ts";
import type { Inclusion } from "../../../src/fhir/search/query.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "default" });
});

const observation: Resource = {
  resourceType: "Observation",
  id: "o1",
  status: "final",
  code: { text: "session" },
  subject: { reference: "Patient/p1" },
  device: { reference: "Device/d1/_history/3" },
  basedOn: [{ reference: "DeviceRequest/r1" }, { reference: "https://other.example/fhir/DeviceRequest/r2" }],
  performer: [{ reference: "#carer" }, { reference: "Practitioner/x" }],
};

const include = (param: string, targetType?: string): Inclusion => ({
  direction: "include",
  sourceType: "Observation",
  param,
  iterate: false,
  ...(targetType === undefined ? {} : { targetType }),
});

// https://hl7.org/fhir/R4/search.html#include
test("everything here that a resource points to is named once, without its version", () => {
  const inclusions = [include("subject"), include("patient"), include("device"), include("based-on")];
  expect(includedReferences(definitions, [observation], inclusions)).toEqual([
    "Patient/p1",
    "Device/d1",
    "DeviceRequest/r1",
  ]);
});

test("only the type that is wanted is included", () => {
  expect(includedReferences(definitions, [observation], [include("performer", "Organization")])).toEqual([]);
  expect(includedReferences(definitions, [observation], [include("performer", "Practitioner")])).toEqual([
    "Practitioner/x",
  ]);
});

test("resources of other types include nothing by it", () => {
  expect(includedReferences(definitions, [{ resourceType: "Patient", id: "p" }], [include("subject")])).toEqual([]);
});

test("the terms of a reverse inclusion are those under which the pointing resource is indexed", () => {
  const inclusion: Inclusion = { ...include("patient"), direction: "revinclude" };
  const stored = extractIndexValues(definitions, observation).terms;
  expect(revincludeTerms(definitions, inclusion, ["Patient/p1"]).some((term) => stored.includes(term))).toBe(true);
  expect(revincludeTerms(definitions, inclusion, ["Patient/p2"]).some((term) => stored.includes(term))).toBe(false);
  const byDevice: Inclusion = { ...include("device"), direction: "revinclude" };
  expect(revincludeTerms(definitions, byDevice, ["Device/d1"]).some((term) => stored.includes(term))).toBe(true);
});

// https://hl7.org/fhir/R4/search.html#include
test("a star includes everything here that any reference parameter leads to", () => {
  const all = includedReferences(definitions, [observation], [include("*")]);
  expect([...all].sort()).toEqual(["Device/d1", "DeviceRequest/r1", "Patient/p1", "Practitioner/x"]);
  expect(includedReferences(definitions, [observation], [{ ...include("*"), sourceType: "*" }])).toEqual(all);
  expect(includedReferences(definitions, [observation], [include("*", "Device")])).toEqual(["Device/d1"]);
});

test("the terms of a reverse star are those of every reference of the pointing type, each once", () => {
  const inclusion: Inclusion = { ...include("*"), direction: "revinclude" };
  const stored = extractIndexValues(definitions, observation).terms;
  for (const target of ["Patient/p1", "Device/d1", "DeviceRequest/r1", "Practitioner/x"]) {
    const terms = revincludeTerms(definitions, inclusion, [target]);
    expect(new Set(terms).size, target).toBe(terms.length);
    expect(
      terms.some((term) => stored.includes(term)),
      target,
    ).toBe(true);
  }
});

test("an address under this service's own base is included as what is stored here", () => {
  const based = createDefinitions({ types: "default", ownBase: "https://here.example/fhir" });
  const pointing: Resource = { ...observation, subject: { reference: "https://here.example/fhir/Patient/p1" } };
  expect(includedReferences(based, [pointing], [include("subject")])).toEqual(["Patient/p1"]);
});
