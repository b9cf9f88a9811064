import { beforeAll, expect, test } from "vitest";
import { createDefinitions, type Definitions } from "../../../src/fhir/definitions.ts";
import { inclusionOf } from "../../../src/fhir/search/inclusion.ts";

let definitions: Definitions;
beforeAll(() => {
  definitions = createDefinitions({ types: "default" });
});

// https://hl7.org/fhir/R4/search.html#include
test("an inclusion names a type, its reference parameter and perhaps the type that is wanted", () => {
  expect(inclusionOf(definitions, "_include", "Observation:subject:Patient")).toEqual({
    ok: true,
    value: {
      direction: "include",
      sourceType: "Observation",
      param: "subject",
      targetType: "Patient",
      iterate: false,
    },
  });
});

test("a reverse inclusion may be followed from what it found", () => {
  expect(inclusionOf(definitions, "_revinclude:iterate", "Provenance:target")).toEqual({
    ok: true,
    value: { direction: "revinclude", sourceType: "Provenance", param: "target", iterate: true },
  });
});

// https://hl7.org/fhir/R4/search.html#include: "_include=*" and "_include=Type:*" ask for every reference.
test("a star stands for every reference parameter, of one type or of what is found", () => {
  expect(inclusionOf(definitions, "_include", "*")).toEqual({
    ok: true,
    value: { direction: "include", sourceType: "*", param: "*", iterate: false },
  });
  expect(inclusionOf(definitions, "_revinclude", "Observation:*")).toEqual({
    ok: true,
    value: { direction: "revinclude", sourceType: "Observation", param: "*", iterate: false },
  });
});

test("a star alone is no reverse inclusion: everything that points here would be meant", () => {
  expect(inclusionOf(definitions, "_revinclude", "*")).toMatchObject({ ok: false, refusals: [{ kind: "value" }] });
});

test.each(["Observation", "Observation:status", "Observation:colour", "Nothing:subject", "Claim:patient", "Claim:*"])(
  "%s is refused, with an example of what is right",
  (value) => {
    const answer = inclusionOf(definitions, "_include", value);
    expect(answer.ok).toBe(false);
    if (!answer.ok) expect(answer.refusals[0]).toMatchObject({ at: "_include", status: 400 });
  },
);
