import { afterAll, beforeAll, expect, test } from "vitest";
import { updateResource } from "../../src/flows/write-resource.ts";
import { validateRoutes } from "../../src/http/validate-route.ts";
import { type OperationsApp, operationsApp } from "../support/operations-app.ts";
import { put } from "../support/service.ts";

// https://hl7.org/fhir/R4/resource-operation-validate.html

let made: OperationsApp;
beforeAll(async () => {
  made = await operationsApp("2026-03-01T10:00:00Z", validateRoutes);
  await put(made, patient);
});
afterAll(() => made.close());

const patient = { resourceType: "Patient", id: "p" };

async function validated(method: "GET" | "POST", path: string, payload?: object) {
  const request = {
    method,
    url: `/fhir/${path}`,
    headers: made.headers,
    ...(payload === undefined ? {} : { payload }),
  };
  const answer = await made.app.inject(request);
  const { issue } = answer.json<{ issue: { severity: string; code: string }[] }>();
  return [answer.statusCode, ...issue.map((one) => `${one.severity} ${one.code}`)];
}

test("a valid resource answers 200 and All OK", async () => {
  expect(await validated("POST", "Patient/$validate", patient)).toEqual([200, "information informational"]);
});

test("an invalid resource answers 200 as well, with what a write is refused for", async () => {
  const wrong = { ...patient, gender: "x", birthDate: "2020-02-30" };
  expect(await validated("POST", "Patient/$validate", wrong)).toEqual([200, "error code-invalid", "error value"]);
  const target = { type: "Patient", id: "p" };
  const written = await updateResource(made.service, made.tenantId, target, JSON.stringify(wrong));
  expect(written).toMatchObject({ ok: false, refusals: [{ kind: "code-invalid" }, { kind: "value" }] });
});

test("a Parameters resource carries resource and mode", async () => {
  const parameter = [
    { name: "resource", resource: { ...patient, managingOrganization: { reference: "Organization/none" } } },
    { name: "mode", valueCode: "create" },
  ];
  expect(await validated("POST", "Patient/$validate", { resourceType: "Parameters", parameter })).toEqual([
    200,
    "error not-found",
  ]);
});

test("a stored resource is validated where it stands, by GET and by POST", async () => {
  expect(await validated("GET", "Patient/p/$validate")).toEqual([200, "information informational"]);
  expect(await validated("GET", "Patient/p/$validate?mode=delete")).toEqual([200, "information informational"]);
  expect(await validated("POST", "Patient/p/$validate", patient)).toEqual([200, "information informational"]);
  expect(await validated("GET", "Patient/nobody/$validate")).toEqual([404, "error not-found"]);
});

test("what is no question answers 400", async () => {
  expect(await validated("POST", "Patient/$validate?mode=delete", patient)).toEqual([400, "error invalid"]);
});
