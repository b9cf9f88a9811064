import { validateResource } from "@medplum/core";
import type { Flag } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { contraindicationFact, contraindicationFlag } from "../../src/fhir/contraindication.ts";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { contraindicationConcepts } from "../../src/fhir/terminology/codes.ts";
import { contraindicationOf } from "../../src/fhir/terminology/contraindications.ts";

beforeAll(() => void createDefinitions({ types: "default" }));

const flag = contraindicationFlag({ id: "f", patientId: "p", code: "pneumothorax", start: "2026-02-10T09:00:00Z" });

function fact(changes: Partial<Flag>) {
  const [one] = contraindicationFact({ ...flag, ...changes }, "Europe/London");
  return one?.kind === "contraindication" ? one.contraindication : undefined;
}

test("a flag of the catalogue has its class and title, and no end while it warns", () => {
  expect(validateResource(flag)).toEqual([]);
  expect(flag.period?.end).toBeUndefined();
  expect(fact({})).toEqual({
    flagId: "f",
    code: "pneumothorax",
    title: "Pneumothorax",
    class: "absolute",
    active: true,
    startMs: Date.parse("2026-02-10T09:00:00Z"),
  });
});

test("an ended flag is not active and says until when: a date counts to the end of its day", () => {
  const ended = contraindicationFlag({
    id: "f",
    patientId: "p",
    code: "haemoptysis",
    start: "2026-02-01",
    end: "2026-02-10",
  });
  expect(fact(ended)).toMatchObject({ active: false, endMs: Date.parse("2026-02-11T00:00:00Z") });
});

test.each(contraindicationConcepts)("a hospital's flag of $display holds the therapy as our own does", (concept) => {
  const { means, ...coding } = concept;
  expect(fact({ code: { coding: [coding] } })).toMatchObject({ code: means, class: "absolute" });
  expect(fact({ code: { coding: [{ ...coding, system: "urn:other" }] } })).toMatchObject({ class: "relative" });
});

test("no outside concept makes a flag weigh less than a code that nobody knows", () => {
  expect(contraindicationConcepts.map((one) => contraindicationOf(one.means)?.class)).toEqual(["absolute", "absolute"]);
});

test("a code that nobody knows is relative: somebody must look", () => {
  expect(fact({ code: { text: "Do not use today" } })).toMatchObject({ class: "relative", title: "Do not use today" });
});

test("a flag without a start holds from the day it was recorded", () => {
  const { period: _, ...open } = flag;
  const [one] = contraindicationFact({ ...open, meta: { lastUpdated: "2026-02-12T08:00:00Z" } }, "Europe/London");
  expect(one).toMatchObject({ contraindication: { startMs: Date.parse("2026-02-12T08:00:00Z") } });
});

test("flags that are no safety matter, or entered in error, contraindicate nothing", () => {
  expect(fact({ category: [{ text: "diet" }] })).toBeUndefined();
  expect(fact({ status: "entered-in-error" })).toBeUndefined();
});
