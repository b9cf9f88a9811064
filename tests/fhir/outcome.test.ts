import { beforeAll, expect, test } from "vitest";
import type { RefusalKind } from "../../src/domain/result.ts";
import { createDefinitions, type Definitions } from "../../src/fhir/definitions.ts";
import { issueOf, outcomeOf, statusOf, successOutcome } from "../../src/fhir/outcome.ts";
import { checkResource } from "../../src/fhir/resource-check.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: ["OperationOutcome"] });
});

test("each refusal becomes an issue with code, text and the element's path", () => {
  const outcome = outcomeOf([
    { kind: "required", detail: "A status is needed.", at: "Observation.status" },
    { kind: "conflict", detail: "Read it again." },
  ]);
  expect(outcome.issue).toEqual([
    {
      severity: "error",
      code: "required",
      details: { text: "A status is needed." },
      diagnostics: "A status is needed.",
      expression: ["Observation.status"],
    },
    { severity: "error", code: "conflict", details: { text: "Read it again." }, diagnostics: "Read it again." },
  ]);
});

test("outcomes are valid OperationOutcomes", () => {
  expect(checkResource(definitions, outcomeOf([{ kind: "deleted", detail: "It is gone." }]))).toEqual([]);
  expect(checkResource(definitions, successOutcome("It is well."))).toEqual([]);
});

// https://hl7.org/fhir/R4/http.html: the status codes of read, create, update and conditional interactions.
test.each([
  ["structure", 400],
  ["login", 401],
  ["forbidden", 403],
  ["not-found", 404],
  ["conflict", 409],
  ["deleted", 410],
  ["multiple-matches", 412],
  ["invariant", 422],
  ["business-rule", 422],
] satisfies [RefusalKind, number][])("%s answers %d", (kind, status) => {
  expect(statusOf([{ kind, detail: "" }])).toBe(status);
});

test("a refusal may name its own status, and the first decides", () => {
  expect(
    statusOf([
      { kind: "conflict", detail: "", status: 412 },
      { kind: "not-found", detail: "" },
    ]),
  ).toBe(412);
  expect(statusOf([])).toBe(400);
});

test("what was ignored is a warning", () => {
  expect(issueOf({ kind: "not-supported", detail: "x" }, "warning").severity).toBe("warning");
});
