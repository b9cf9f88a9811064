import type { QuestionnaireResponse } from "@medplum/fhirtypes";
import { describe, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";
import { isScreening, screeningAnswers, screeningFact, screeningResponse } from "../../src/fhir/screening.ts";
import { contraindicationCatalogue } from "../../src/fhir/terminology/contraindications.ts";

const zone = "Europe/London";
const response = screeningResponse({
  id: "r",
  patientId: "p",
  authored: "2026-02-01T10:00:00Z",
  found: ["haemoptysis"],
});

test("a screening is a valid QuestionnaireResponse that answers every question", () => {
  const definitions = createDefinitions({ types: ["QuestionnaireResponse"] });
  expect(checkResource(definitions, response, "QuestionnaireResponse")).toEqual([]);
  const answers = screeningAnswers(response);
  expect(answers.size).toBe(contraindicationCatalogue.length);
  expect([...answers].filter(([, yes]) => yes)).toEqual([["haemoptysis", true]]);
});

describe("the day of a screening", () => {
  test("is the local day on which the answers were written", () => {
    expect(screeningFact(response, zone)).toEqual([
      { kind: "screening", patientId: "p", screening: { responseId: "r", day: "2026-02-01" } },
    ]);
    expect(screeningFact({ ...response, authored: "2026-07-01T23:30:00Z" }, zone)).toMatchObject([
      { screening: { day: "2026-07-02" } },
    ]);
  });

  test("is the day it was recorded where nobody wrote one", () => {
    const { authored: _, ...unsigned } = response;
    expect(screeningFact({ ...unsigned, meta: { lastUpdated: "2026-02-03T10:00:00Z" } }, zone)).toMatchObject([
      { screening: { day: "2026-02-03" } },
    ]);
  });
});

describe("what counts as a screening", () => {
  test.each<[string, Partial<QuestionnaireResponse>, boolean]>([
    ["a completed one", {}, true],
    ["an amended one", { status: "amended" }, true],
    ["one that names a version of the form", { questionnaire: `${response.questionnaire}|2` }, true],
    ["one still being filled in", { status: "in-progress" }, false],
    ["one that was stopped", { status: "stopped" }, false],
    ["one entered in error", { status: "entered-in-error" }, false],
    ["answers to another form", { questionnaire: "https://example.org/Questionnaire/mood" }, false],
  ])("%s", (_what, changes, expected) => {
    expect(isScreening({ ...response, ...changes })).toBe(expected);
    expect(screeningFact({ ...response, ...changes }, zone)).toHaveLength(expected ? 1 : 0);
  });
});

describe("answers", () => {
  const answered = (item: QuestionnaireResponse["item"]) => [
    ...screeningAnswers({ ...response, ...(item === undefined ? {} : { item }) }),
  ];

  test("in groups and below other answers count", () => {
    expect(
      answered([
        { linkId: "lungs", item: [{ linkId: "lung-abscess", answer: [{ valueBoolean: true }] }] },
        {
          linkId: "x",
          answer: [{ valueString: "y", item: [{ linkId: "unstable-spine", answer: [{ valueBoolean: false }] }] }],
        },
      ]),
    ).toEqual([
      ["lung-abscess", true],
      ["unstable-spine", false],
    ]);
  });

  test("that contradict each other count as yes, for somebody must look", () => {
    const twice = [true, false].map((valueBoolean) => ({ linkId: "haemoptysis", answer: [{ valueBoolean }] }));
    expect(answered(twice)).toEqual([["haemoptysis", true]]);
    expect(answered([...twice].reverse())).toEqual([["haemoptysis", true]]);
  });

  test("to what is not in the catalogue, and words, are no answers", () => {
    expect(
      answered([
        { linkId: "mood", answer: [{ valueBoolean: true }] },
        { linkId: "haemoptysis", answer: [{ valueString: "a little" }] },
        { linkId: "lung-abscess" },
      ]),
    ).toEqual([]);
  });
});
