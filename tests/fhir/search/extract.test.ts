import type { Observation, Resource } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import { extractIndexValues, isHotDate, isHotPatient, presenceTerm } from "../../../src/fhir/search/extract.ts";
import { referralTerm } from "../../../src/fhir/search/reference.ts";
import { tokenTerm } from "../../../src/fhir/search/token.ts";
import { fullResource } from "./full-resource.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "all" });
});

const atomsOf = (type: string, code: string) => definitions.parameters(type).get(code)?.atoms ?? [];

const observation: Observation = {
  resourceType: "Observation",
  id: "o1",
  status: "final",
  code: { coding: [{ system: "http://loinc.org", code: "8480-6" }] },
  subject: { reference: "Patient/p1" },
  effectivePeriod: { start: "2026-03-01T10:00:00Z", end: "2026-03-01T10:15:00Z" },
  component: [
    { code: { coding: [{ system: "http://example.org", code: "one" }] }, valueQuantity: { value: 1 } },
    { code: { coding: [{ system: "http://example.org", code: "two" }] }, valueString: "some" },
  ],
};

// Definitions: https://hl7.org/fhir/R4/observation.html#search
test("the codes of all components are found under one operand", () => {
  const [atom] = atomsOf("Observation", "component-code");
  const { terms } = extractIndexValues(definitions, observation);
  expect(terms).toContain(tokenTerm(atom?.key ?? "", "http://example.org", "one"));
  expect(terms).toContain(tokenTerm(atom?.key ?? "", "http://example.org", "two"));
});

test("combo-code asks the operands of code and component-code, which are indexed once", () => {
  const combo = atomsOf("Observation", "combo-code").map((atom) => atom.key);
  const alone = [...atomsOf("Observation", "code"), ...atomsOf("Observation", "component-code")].map(
    (atom) => atom.key,
  );
  expect([...combo].sort()).toEqual([...alone].sort());
});

test("an operand with a value says so, one without does not", () => {
  const { terms } = extractIndexValues(definitions, observation);
  const present = (code: string) => atomsOf("Observation", code).some((atom) => terms.includes(presenceTerm(atom)));
  expect(["status", "date", "patient"].map(present)).toEqual([true, true, true]);
  expect(["device", "value-quantity"].map(present)).toEqual([false, false]);
});

test("patient and time stand in the hot columns and their time in no index row", () => {
  const { hot, dates } = extractIndexValues(definitions, observation);
  expect(hot).toEqual({
    patientId: "p1",
    startMs: Date.UTC(2026, 2, 1, 10),
    endMs: Date.UTC(2026, 2, 1, 10, 15, 1),
  });
  expect(dates).toEqual([]);
});

test("a subject that is no patient leaves the hot column empty", () => {
  const { hot } = extractIndexValues(definitions, { ...observation, subject: { reference: "Device/d1" } });
  expect(hot.patientId).toBeUndefined();
});

test("a patient is its own", () => {
  expect(extractIndexValues(definitions, { resourceType: "Patient", id: "p9" }).hot.patientId).toBe("p9");
});

test("the time of a device's use comes from our own parameter, that of a task from its authoring", () => {
  const use: Resource = {
    resourceType: "DeviceUseStatement",
    status: "active",
    subject: { reference: "Patient/p1" },
    device: { reference: "Device/d1" },
    timingPeriod: { start: "2026-03-01" },
  };
  expect(extractIndexValues(definitions, use).hot).toEqual({
    patientId: "p1",
    startMs: Date.UTC(2026, 2, 1),
    endMs: Number.POSITIVE_INFINITY,
  });
  const task: Resource = {
    resourceType: "Task",
    status: "requested",
    intent: "order",
    for: { reference: "Patient/p2" },
    authoredOn: "2026-03-02T08:00:00Z",
  };
  expect(extractIndexValues(definitions, task).hot).toMatchObject({
    patientId: "p2",
    startMs: Date.UTC(2026, 2, 2, 8),
  });
});

test("several events are kept as the range from the first to the last", () => {
  const { hot } = extractIndexValues(definitions, {
    resourceType: "Observation",
    status: "final",
    code: { text: "x" },
    effectiveTiming: { event: ["2026-03-08", "2026-03-01"] },
  });
  expect(hot).toEqual({ startMs: Date.UTC(2026, 2, 1), endMs: Date.UTC(2026, 2, 9) });
});

test("only what a resource has once at most is hot", () => {
  const parameter = (type: string, code: string) => {
    const found = definitions.parameters(type).get(code);
    if (found === undefined) throw new Error(`${type} has no ${code}`);
    return found;
  };
  expect(isHotPatient(parameter("Observation", "patient"))).toBe(true);
  expect(isHotPatient(parameter("Account", "patient"))).toBe(false);
  expect(isHotPatient(parameter("Observation", "performer"))).toBe(false);
  expect(isHotDate("Observation", parameter("Observation", "date"))).toBe(true);
  expect(isHotDate("Observation", parameter("Observation", "value-date"))).toBe(false);
});

test("a resource of any type, with every element and none, is read without an error", () => {
  for (const type of definitions.types) {
    const full = extractIndexValues(definitions, fullResource(type, 0) as Resource);
    expect(full.terms.length, type).toBeGreaterThan(0);
    const bare = extractIndexValues(definitions, { resourceType: type } as Resource);
    expect([bare.strings, bare.dates, bare.quantities], type).toEqual([[], [], []]);
  }
});

// https://hl7.org/fhir/R4/search.html#combining: a composite finds what stands together, so places are told apart.
test("components that repeat carry their places, a single one needs none", () => {
  const { quantities, placeTerms } = extractIndexValues(definitions, observation);
  expect(quantities.map((entry) => entry.place)).toEqual([0]);
  expect(placeTerms.length).toBeGreaterThan(0);
  const single = extractIndexValues(definitions, {
    ...observation,
    component: observation.component?.slice(0, 1) ?? [],
  });
  expect(single.placeTerms).toEqual([]);
  expect(single.quantities).toEqual([expect.not.objectContaining({ place: expect.anything() })]);
});

test("a number that a composite places is indexed once, not once more by the parameter that asks for it alone", () => {
  const [atom] = atomsOf("Observation", "component-value-quantity");
  const { quantities } = extractIndexValues(definitions, observation);
  expect(quantities.filter((entry) => entry.key === atom?.key)).toHaveLength(1);
});

// https://hl7.org/fhir/R4/search.html#reference: relative and absolute forms of a reference to the same server agree.
test("an address under this service's own base is indexed as what is stored here", () => {
  const based = createDefinitions({ types: "all", ownBase: "https://here.example/fhir" });
  const absolute = extractIndexValues(based, {
    ...observation,
    subject: { reference: "https://here.example/fhir/Patient/p1" },
  });
  const relative = extractIndexValues(based, observation);
  expect(absolute.hot.patientId).toBe("p1");
  expect([...absolute.terms].sort()).toEqual([...relative.terms].sort());
});

// A service that checks references must find those that no search parameter reaches
// (https://hl7.org/fhir/R4/http.html#delete, referential integrity).
test("references in extensions and contained resources leave a term, those elsewhere and inside leave none", () => {
  const resource = {
    resourceType: "Patient",
    id: "p",
    extension: [{ url: "https://own.example/x", valueReference: { reference: "Device/d" } }],
    contained: [{ resourceType: "Device", id: "in", patient: { reference: "Patient/other/_history/3" } }],
    generalPractitioner: [{ reference: "#in" }, { reference: "https://other.example/fhir/Practitioner/1" }],
  } as unknown as Resource;
  const { terms } = extractIndexValues(definitions, resource);
  for (const found of ["Device/d", "Patient/other"]) expect(terms).toContain(referralTerm(found));
  for (const none of ["Patient/in", "Practitioner/1"]) expect(terms).not.toContain(referralTerm(none));
});
