import { afterAll, beforeAll, expect, test } from "vitest";
import type { ValidationRequest } from "../../src/fhir/validate.ts";
import { deleteResource } from "../../src/flows/delete-resource.ts";
import { read } from "../../src/flows/read-resource.ts";
import { validate } from "../../src/flows/validate-resource.ts";
import { updateResource } from "../../src/flows/write-resource.ts";
import { put, type TestService, testService } from "../support/service.ts";

// Modes as https://hl7.org/fhir/R4/resource-operation-validate.html describes them.

let made: TestService;
beforeAll(async () => {
  made = await testService("2026-03-01T10:00:00Z");
  await put(made, { resourceType: "Patient", id: "p" });
  await put(made, { ...observation, id: "o", subject: { reference: "Patient/p" } } as {
    resourceType: string;
    id: string;
  });
  await put(made, { resourceType: "Patient", id: "gone" });
  await deleteResource(made.service, made.tenantId, { type: "Patient", id: "gone" });
});
afterAll(() => made.close());

const observation = { resourceType: "Observation", status: "final", code: { text: "peak cough flow" } };
const dangling = { ...observation, id: "new", subject: { reference: "Patient/nobody" } };

async function found(type: string, id: string | undefined, request: ValidationRequest) {
  const answer = await validate(made.service, made.tenantId, { type, ...(id === undefined ? {} : { id }) }, request);
  if (!answer.ok) return answer.refusals.map((one) => `refused ${one.status}`);
  const { errors, warnings } = answer.value;
  return [...errors.map((one) => `error ${one.kind} ${one.at ?? ""}`), ...warnings.map((one) => `warning ${one.kind}`)];
}

test("without a mode the content alone is looked at", async () => {
  expect(await found("Observation", undefined, { resource: dangling })).toEqual([]);
  expect(await found("Observation", undefined, { resource: { ...dangling, status: "x" } })).toEqual([
    "error code-invalid Observation.status",
  ]);
});

test("mode create finds what a create would be refused for, and writes nothing", async () => {
  const errors = await found("Observation", undefined, { resource: dangling, mode: "create" });
  expect(errors).toHaveLength(1);
  const target = { type: "Observation", id: "new" };
  const written = await updateResource(made.service, made.tenantId, target, JSON.stringify(dangling));
  expect(written.ok ? [] : written.refusals.map((one) => `error ${one.kind} ${one.at ?? ""}`)).toEqual(errors);
  const fine = { ...observation, id: "fine", subject: { reference: "Patient/p" } };
  expect(await found("Observation", undefined, { resource: fine, mode: "create" })).toEqual([]);
  expect((await read(made.service, made.tenantId, "Observation", "fine")).ok).toBe(false);
});

test("mode update asks for the id of the address, and tells when there is nothing to update", async () => {
  expect(await found("Observation", "o", { resource: { ...observation, id: "o" }, mode: "update" })).toEqual([]);
  expect(await found("Observation", "o", { resource: { ...observation, id: "x" }, mode: "update" })).toEqual([
    "error invalid Observation.id",
  ]);
  const first = { resource: { ...observation, id: "first" }, mode: "update" } as const;
  expect(await found("Observation", "first", first)).toEqual(["warning not-found"]);
});

// "checking referential integrity rules" (the same page, mode delete).
test("mode delete finds what still points to the resource, and deletes nothing", async () => {
  expect(await found("Patient", "p", { mode: "delete" })).toEqual(["error conflict "]);
  expect(await found("Observation", "o", { mode: "delete" })).toEqual([]);
  expect((await read(made.service, made.tenantId, "Observation", "o")).ok).toBe(true);
  expect(await found("Patient", "gone", { mode: "delete" })).toEqual(["warning not-found"]);
});

test("without a resource the stored one is looked at; there must be one", async () => {
  expect(await found("Observation", "o", {})).toEqual([]);
  const profile = "http://example.org/unknown";
  expect(await found("Observation", "o", { mode: "profile", profile })).toEqual(["error not-supported "]);
  expect(await found("Observation", "nobody", {})).toEqual(["refused 404"]);
  expect(await found("Patient", "gone", {})).toEqual(["refused 410"]);
});
