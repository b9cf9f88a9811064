import { expect, test } from "vitest";
import { ruleTexts } from "../../../src/domain/rules/catalogue.ts";
import { defaultThresholds } from "../../../src/domain/thresholds.ts";
import { codeSystemResources, ownCodeSystems } from "../../../src/fhir/terminology/code-systems.ts";

const codesOf = (name: string) =>
  ownCodeSystems.find((one) => one.name === name)?.concepts.map((one) => one.code) ?? [];

test("every rule of the review has its code, and every kind of part", () => {
  expect(codesOf("finding-rule")).toEqual(ruleTexts.map((one) => one.code));
  for (const { code } of defaultThresholds.partKinds) expect(codesOf("device-kind")).toContain(code);
});

test("no system says the same code twice, and each counts its concepts", () => {
  for (const resource of codeSystemResources()) {
    const codes = (resource.concept ?? []).map((one) => one.code);
    expect(new Set(codes).size, resource.id).toBe(codes.length);
    expect(resource.count).toBe(codes.length);
  }
});
