import { validateResource } from "@medplum/core";
import type { Patient } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { patientFacts, patientResource, timezoneUrl } from "../../src/fhir/patient.ts";

beforeAll(() => void createDefinitions({ types: "default" }));

function facts(patient: Partial<Patient>) {
  const [fact] = patientFacts({ resourceType: "Patient", id: "p", ...patient }, "Europe/London");
  return fact?.kind === "patient" ? fact.patient : undefined;
}

test("zone, name, birth and death read back from what the builder makes, which is valid R4", () => {
  const made = patientResource({
    id: "p",
    family: "Fern",
    given: "Ada",
    birthDate: "1990-02-03",
    zone: "Atlantic/Azores",
    deceasedDateTime: "2026-03-01T00:30:00Z",
    organizationId: "o",
  });
  expect(validateResource(made)).toEqual([]);
  expect(facts(made)).toEqual({
    patientId: "p",
    zone: "Atlantic/Azores",
    sortName: "Fern, Ada",
    active: true,
    birthDay: "1990-02-03",
    // Half past midnight in UTC is still the evening before on the Azores.
    deceasedDay: "2026-02-28",
    organizationId: "o",
  });
});

test("a zone that does not exist, or none, falls back to the service's", () => {
  expect(facts({ extension: [{ url: timezoneUrl, valueCode: "Mars/Olympus" }] })?.zone).toBe("Europe/London");
  expect(facts({})?.zone).toBe("Europe/London");
});

test("the official name is the one to sort by; without a name the id stands in", () => {
  const name = [{ family: "Nick" }, { use: "official" as const, family: "Fern", given: ["Ada", "May"] }];
  expect(facts({ name })?.sortName).toBe("Fern, Ada May");
  expect(facts({ name: [{ text: "Ada Fern" }] })?.sortName).toBe("Ada Fern");
  expect(facts({})?.sortName).toBe("p");
});

test("a death without a date counts from the day it was recorded; a partial birth date is no day", () => {
  expect(facts({ deceasedBoolean: true, meta: { lastUpdated: "2026-03-05T12:00:00Z" } })?.deceasedDay).toBe(
    "2026-03-05",
  );
  expect(facts({ deceasedBoolean: false })?.deceasedDay).toBeUndefined();
  expect(facts({ birthDate: "1990" })?.birthDay).toBeUndefined();
});

test("a merged record names its survivor and is not active", () => {
  const merged = facts({ active: false, link: [{ type: "replaced-by", other: { reference: "Patient/q" } }] });
  expect([merged?.active, merged?.replacedBy]).toEqual([false, "q"]);
});
