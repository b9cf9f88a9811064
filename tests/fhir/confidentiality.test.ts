import { expect, test } from "vitest";
import {
  confidentialityLabels,
  confidentialitySystem,
  defaultConfidentiality,
  highestShown,
  readConfidentiality,
} from "../../src/fhir/confidentiality.ts";
import { type Role, roles } from "../../src/fhir/scopes.ts";

test("the code system is the one of https://terminology.hl7.org/CodeSystem-v3-Confidentiality.html", () => {
  expect(confidentialitySystem).toBe("http://terminology.hl7.org/CodeSystem/v3-Confidentiality");
});

test("only the hospital's own integration sees everything unless somebody says so", () => {
  const cleared = (Object.keys(roles) as Role[]).filter((role) => defaultConfidentiality(role) !== "N");
  expect(cleared).toEqual(["integration"]);
  expect(defaultConfidentiality("integration")).toBe("V");
});

test.each([
  ["N", 0],
  ["R", 1],
  ["V", undefined],
] as const)("a clearance of %s shows up to %s", (clearance, highest) => {
  expect(readConfidentiality(clearance)).toBe(clearance);
  expect(highestShown(clearance)).toBe(highest);
});

test.each(["", "n", "L", "U", "M", "VR"])("%o is no clearance", (text) => {
  expect(readConfidentiality(text)).toBeUndefined();
});

test("a deletion keeps the labels of confidentiality and no others", () => {
  const restricted = { system: confidentialitySystem, code: "R" };
  const other = { system: "http://terminology.hl7.org/CodeSystem/v3-ActCode", code: "PSY" };
  const body = JSON.stringify({ resourceType: "Basic", meta: { security: [other, restricted] } });
  expect(confidentialityLabels(body)).toEqual([restricted]);
  expect(confidentialityLabels(JSON.stringify({ resourceType: "Basic", meta: { security: [other] } }))).toEqual([]);
  expect(
    confidentialityLabels(JSON.stringify({ resourceType: "Basic", implicitRules: confidentialitySystem })),
  ).toEqual([]);
});
