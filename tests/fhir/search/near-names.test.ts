import { expect, test } from "vitest";
import { nearNames } from "../../../src/fhir/search/near-names.ts";

test.each([
  ["patinet", ["patient", "status"], ["patient"]],
  ["birth-date", ["birthdate", "gender"], ["birthdate"]],
  ["quantity", ["value-quantity", "value-date"], ["value-quantity"]],
  ["_lastupdated", ["_lastUpdated"], ["_lastUpdated"]],
  ["colour", ["status", "patient"], []],
  ["", ["status"], []],
])("%s is near %o: %o", (name, known, expected) => {
  expect(nearNames(name, known)).toEqual(expected);
});

test("at most five are named, the nearest first", () => {
  const known = ["codes", "code", "combo-code", "component-code", "code-value", "code-x", "code-y"];
  const near = nearNames("code", known);
  expect(near).toHaveLength(5);
  expect(near).toContain("code");
});
