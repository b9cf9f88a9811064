import type { OperationOutcome, Parameters, ValueSet } from "@medplum/fhirtypes";
import { afterAll, beforeAll, expect, test } from "vitest";
import { terminologyRoutes } from "../../src/http/terminology-routes.ts";
import { type OperationsApp, operationsApp } from "../support/operations-app.ts";
import { put } from "../support/service.ts";

// Operations and their examples: https://hl7.org/fhir/R4/valueset-operation-expand.html (expand),
// https://hl7.org/fhir/R4/valueset-operation-validate-code.html (validate), https://hl7.org/fhir/R4/codesystem-operation-lookup.html (lookup).
let made: OperationsApp;

const herbs = {
  resourceType: "CodeSystem",
  id: "herbs",
  url: "http://acme.example/fhir/CodeSystem/herbs",
  name: "Herbs",
  status: "active",
  content: "complete",
  concept: [
    { code: "basil", display: "Basil" },
    { code: "mint", display: "Mint", concept: [{ code: "peppermint", display: "Peppermint" }] },
  ],
};

/** The value set that the examples call 23. */
const twentyThree = {
  resourceType: "ValueSet",
  id: "23",
  url: "http://acme.example/fhir/ValueSet/23",
  version: "1.1",
  status: "active",
  compose: { include: [{ valueSet: ["http://acme.example/fhir/ValueSet/mints"] }] },
};

const mints = {
  resourceType: "ValueSet",
  id: "mints",
  url: "http://acme.example/fhir/ValueSet/mints",
  status: "active",
  compose: { include: [{ system: herbs.url, filter: [{ property: "concept", op: "is-a", value: "mint" }] }] },
};

beforeAll(async () => {
  made = await operationsApp("2026-03-01T08:00:00Z", terminologyRoutes);
  await put(made, herbs, twentyThree, mints);
});

afterAll(() => made.close());

async function get<T = ValueSet>(url: string, headers = made.headers) {
  const answer = await made.app.inject({ url: `/fhir${url}`, headers });
  return { status: answer.statusCode, body: answer.json<T>(), type: answer.headers["content-type"] };
}

async function post<T = ValueSet>(url: string, payload: object) {
  const answer = await made.app.inject({
    method: "POST",
    url: `/fhir${url}`,
    headers: made.headers,
    payload: JSON.stringify(payload),
  });
  return { status: answer.statusCode, body: answer.json<T>() };
}

const parameters = (...parameter: object[]) => ({ resourceType: "Parameters", parameter });
const codes = (valueSet: ValueSet) => valueSet.expansion?.contains?.map((one) => one.code);
const values = (answer: Parameters) =>
  Object.fromEntries((answer.parameter ?? []).map((one) => [one.name, one.valueBoolean ?? one.valueString]));

test("expand: a value set of R4 by its url, in FHIR JSON", async () => {
  const answer = await get("/ValueSet/$expand?url=http://hl7.org/fhir/ValueSet/administrative-gender");
  expect(answer).toMatchObject({ status: 200, type: "application/fhir+json; charset=utf-8" });
  expect(codes(answer.body)).toEqual(["male", "female", "other", "unknown"]);
  expect(answer.body.expansion?.timestamp).toBe("2026-03-01T08:00:00.000Z");
});

test("expand: GET [base]/ValueSet/23/$expand?filter=… draws in the stored value sets and code systems that 23 names", async () => {
  expect(codes((await get("/ValueSet/23/$expand")).body)).toEqual(["mint", "peppermint"]);
  expect(codes((await get("/ValueSet/23/$expand?filter=pepp")).body)).toEqual(["peppermint"]);
});

test("expand: by canonical url and version, as the page has it; another version is not found", async () => {
  const url = "/ValueSet/$expand?url=http://acme.example/fhir/ValueSet/23";
  expect(codes((await get(`${url}&valueSetVersion=1.1&filter=mint`)).body)).toEqual(["mint"]);
  expect(codes((await get(`${url}%7C1.1`)).body)).toEqual(["mint", "peppermint"]);
  expect(await get(`${url}&valueSetVersion=2`)).toMatchObject({ status: 404 });
});

test("expand: a value set that the client sends, in Parameters or as the body", async () => {
  const valueSet = { resourceType: "ValueSet", status: "draft", compose: { include: [{ system: herbs.url }] } };
  const inParameters = parameters({ name: "valueSet", resource: valueSet }, { name: "count", valueInteger: 1 });
  const answer = await post("/ValueSet/$expand", inParameters);
  expect(answer.body.expansion).toMatchObject({ total: 3, contains: [{ code: "basil" }] });
  // The page's example posts it to the address of 23.
  expect(codes((await post("/ValueSet/23/$expand", inParameters)).body)).toEqual(["basil"]);
  expect(codes((await post("/ValueSet/$expand?offset=2", valueSet)).body)).toEqual(["peppermint"]);
});

test("expand: a value set sent along is checked like any resource", async () => {
  const broken = { resourceType: "ValueSet", compose: { include: [{}] } };
  const answer = await post<OperationOutcome>("/ValueSet/$expand", parameters({ name: "valueSet", resource: broken }));
  expect(answer).toMatchObject({ status: 400, body: { resourceType: "OperationOutcome" } });
});

test("expand: too many codes at once are refused as too costly, and the outcome says which bound", async () => {
  const url = "/ValueSet/$expand?url=http://terminology.hl7.org/ValueSet/v3-ActCode";
  const refused = await get<OperationOutcome>(url);
  expect(refused).toMatchObject({ status: 422, body: { issue: [{ code: "too-costly" }] } });
  expect(refused.body.issue[0]?.details?.text).toContain("1000 at most");
  expect(codes((await get(`${url}&offset=200&count=100`)).body)).toHaveLength(100);
});

test("expand: what draws in too many stored definitions is refused as too costly", async () => {
  const include = Array.from({ length: 60 }, (_, i) => ({ valueSet: [`http://acme.example/fhir/ValueSet/n${i}`] }));
  const valueSet = { resourceType: "ValueSet", status: "draft", compose: { include } };
  expect(await post("/ValueSet/$expand", valueSet)).toMatchObject({
    status: 422,
    body: { issue: [{ code: "too-costly" }] },
  });
});

test.each([
  ["/ValueSet/$expand", 400, "required"],
  ["/ValueSet/$expand?url=http://acme.example/fhir/ValueSet/none", 404, "not-found"],
  ["/ValueSet/none/$expand", 404, "not-found"],
  ["/ValueSet/23/$expand?url=http://acme.example/fhir/ValueSet/23", 400, "invalid"],
  ["/ValueSet/23/$expand?count=x", 400, "value"],
  ["/ValueSet/23/$expand?count=-1", 400, "value"],
  ["/ValueSet/23/$expand?displayLanguage=de", 400, "not-supported"],
  ["/ValueSet/$expand?url=http://hl7.org/fhir/ValueSet/clinical-findings", 422, "not-supported"],
  ["/ValueSet/23/$validate-code", 400, "required"],
  ["/CodeSystem/$lookup?code=mint", 400, "required"],
  ["/CodeSystem/$lookup?system=http://acme.example/fhir/CodeSystem/herbs&code=thyme", 400, "not-found"],
] as const)("GET %s is refused with %i %s", async (url, status, code) => {
  expect(await get(url)).toMatchObject({ status, body: { resourceType: "OperationOutcome", issue: [{ code }] } });
});

test("validate: GET [base]/ValueSet/23/$validate-code with a wrong display answers false, why, and the right one", async () => {
  const asked = `system=${herbs.url}&code=mint`;
  expect(values((await get<Parameters>(`/ValueSet/23/$validate-code?${asked}&display=test`)).body)).toEqual({
    result: false,
    message: 'The display "test" is incorrect',
    display: "Mint",
  });
  expect(values((await get<Parameters>(`/ValueSet/23/$validate-code?${asked}`)).body)).toEqual({
    result: true,
    display: "Mint",
  });
});

test("validate: a posted CodeableConcept against a value set that the client sends", async () => {
  const valueSet = { resourceType: "ValueSet", status: "draft", compose: { include: [{ system: herbs.url }] } };
  const asked = (code: string) =>
    parameters(
      { name: "codeableConcept", valueCodeableConcept: { coding: [{ system: herbs.url, code }] } },
      { name: "valueSet", resource: valueSet },
    );
  expect(values((await post<Parameters>("/ValueSet/$validate-code", asked("basil"))).body)).toMatchObject({
    result: true,
  });
  expect(values((await post<Parameters>("/ValueSet/$validate-code", asked("thyme"))).body)).toMatchObject({
    result: false,
    message: `The code "thyme" is not in ${herbs.url}.`,
  });
});

test("lookup: by system and code, and by a posted Coding, alike", async () => {
  const byAddress = await get<Parameters>(`/CodeSystem/$lookup?system=${herbs.url}&code=peppermint`);
  expect(values(byAddress.body)).toMatchObject({ name: "Herbs", display: "Peppermint" });
  const coding = { name: "coding", valueCoding: { system: herbs.url, code: "peppermint" } };
  expect((await post("/CodeSystem/$lookup", parameters(coding))).body).toEqual(byAddress.body);
});

test("lookup: our own codes", async () => {
  const system = "https://tidegate.example/fhir/CodeSystem/interface";
  expect(values((await get<Parameters>(`/CodeSystem/$lookup?system=${system}&code=mouthpiece`)).body).display).toBe(
    "Mouthpiece",
  );
});

test("what one tenant stores, another neither expands nor looks up", async () => {
  const { strangersHeaders } = made;
  expect(await get("/ValueSet/23/$expand", strangersHeaders)).toMatchObject({ status: 404 });
  expect(await get(`/ValueSet/$expand?url=${mints.url}`, strangersHeaders)).toMatchObject({ status: 404 });
  expect(await get(`/CodeSystem/$lookup?system=${herbs.url}&code=mint`, strangersHeaders)).toMatchObject({
    status: 400,
  });
});

test("a stored value set cannot take the place of one that R4 defines", async () => {
  const url = "http://hl7.org/fhir/ValueSet/administrative-gender";
  const impostor = { ...mints, id: "impostor", url };
  await put(made, impostor);
  expect(codes((await get(`/ValueSet/$expand?url=${url}`)).body)).toEqual(["male", "female", "other", "unknown"]);
});

test("other methods are refused with those that are allowed", async () => {
  // https://hl7.org/fhir/R4/operations.html#executing: POST, or GET where nothing is changed
  const answer = await made.app.inject({ method: "DELETE", url: "/fhir/ValueSet/$expand", headers: made.headers });
  expect([answer.statusCode, answer.headers.allow]).toEqual([405, "GET, HEAD, POST"]);
});
