import { expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";
import { screeningItems, screeningQuestionnaire, screeningUrl } from "../../src/fhir/screening-questionnaire.ts";
import { contraindicationCatalogue } from "../../src/fhir/terminology/contraindications.ts";

const form = screeningQuestionnaire();

test("the form is a valid Questionnaire at its own address", () => {
  expect(checkResource(createDefinitions({ types: ["Questionnaire"] }), form, "Questionnaire")).toEqual([]);
  expect(form.url).toBe(screeningUrl);
});

test("it asks about every entry of the catalogue once, and must have an answer to each", () => {
  const asked = form.item?.filter((item) => item.type === "boolean") ?? [];
  expect(asked.map((item) => item.linkId)).toEqual(contraindicationCatalogue.map((entry) => entry.code));
  expect(asked.every((item) => item.required === true)).toBe(true);
});

test("no item of its own has the code of an entry", () => {
  const codes = contraindicationCatalogue.map((entry) => entry.code);
  expect(Object.values(screeningItems).filter((linkId) => codes.includes(linkId))).toEqual([]);
});
