import { expect, test } from "vitest";
import { identityRefusal } from "../../../src/fhir/patch/identity.ts";

const patient = { resourceType: "Patient", id: "a" };

// The result of a patch is processed as an update (https://hl7.org/fhir/R4/http.html#patch): another id is refused.
test.each([
  ["another id", { resourceType: "Patient", id: "b" }, "id"],
  ["an id that is a number", { resourceType: "Patient", id: 1 }, "id"],
  ["no id", { resourceType: "Patient" }, "id"],
  ["another type", { resourceType: "Group", id: "a" }, "resourceType"],
  ["no type", { id: "a" }, "resourceType"],
  ["a list", [patient], "resourceType"],
  ["null", null, "resourceType"],
])("a resource that became %s is refused", (_name, after, at) => {
  expect(identityRefusal(patient, after)).toMatchObject({ kind: "invalid", status: 400, at });
});

test("a resource of the same type and id is taken", () => {
  expect(identityRefusal(patient, { id: "a", resourceType: "Patient", active: true })).toBeUndefined();
});

test("a resource that had no id gets none", () => {
  expect(identityRefusal({ resourceType: "Patient" }, { resourceType: "Patient" })).toBeUndefined();
  expect(identityRefusal({ resourceType: "Patient" }, patient)?.at).toBe("id");
});
