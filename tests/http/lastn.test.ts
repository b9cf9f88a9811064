import type { Bundle } from "@medplum/fhirtypes";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";
import { put } from "../support/service.ts";

// Expectations from https://hl7.org/fhir/R4/observation-operation-lastn.html unless another page is named.
let here: TestApp;

beforeAll(async () => {
  here = await testApp("2026-03-10T12:00:00Z");
  const flows = [1, 2, 3].map((day) => ({
    resourceType: "Observation",
    id: `flow-${day}`,
    status: "final",
    code: { text: "peak cough flow" },
    category: [{ coding: [{ code: "therapy" }] }],
    subject: { reference: "Patient/anna" },
    effectiveDateTime: `2026-03-0${day}T08:00:00Z`,
  }));
  await put(here, { resourceType: "Patient", id: "anna" }, ...flows);
});

afterAll(() => here.close());

const address = "/fhir/Observation/$lastn";
const asked = "patient=Patient/anna&category=therapy";

function get(url: string, headers: Record<string, string> = {}) {
  const { authorization } = here.headers;
  return here.app.inject({ method: "GET", url, headers: { authorization, ...headers } });
}

function post(payload: string, type: string) {
  const { authorization } = here.headers;
  return here.app.inject({ method: "POST", url: address, headers: { authorization, "content-type": type }, payload });
}

function idsOf(bundle: Bundle): (string | undefined)[] {
  return (bundle.entry ?? []).map((entry) => entry.resource?.id);
}

describe("Observation/$lastn", () => {
  test("answers a searchset of the last max, newest first, with a link to itself and none to more", async () => {
    const answer = await get(`${address}?${asked}&max=2`);
    expect([answer.statusCode, answer.headers["content-type"]]).toEqual([200, "application/fhir+json; charset=utf-8"]);
    const bundle = answer.json() as Bundle;
    expect(bundle).toMatchObject({ resourceType: "Bundle", type: "searchset" });
    expect(idsOf(bundle)).toEqual(["flow-3", "flow-2"]);
    expect(bundle.entry?.[0]).toMatchObject({
      fullUrl: "https://gate.test/fhir/Observation/flow-3",
      search: { mode: "match" },
    });
    expect(bundle.link).toEqual([
      {
        relation: "self",
        url: "https://gate.test/fhir/Observation/$lastn?patient=Patient%2Fanna&category=therapy&max=2",
      },
    ]);
  });

  test("if there are no matches it is an empty search set with no error", async () => {
    const answer = await get(`${address}?patient=Patient/nobody&category=therapy`);
    expect([answer.statusCode, answer.json().type, answer.json().entry]).toEqual([200, "searchset", undefined]);
  });

  // https://hl7.org/fhir/R4/operations.html#request, and https://hl7.org/fhir/R4/search.html#Introduction for the form
  test("a POST with Parameters or with a form is answered like the GET", async () => {
    const got = (await get(`${address}?${asked}&max=2`)).json();
    const parameters = {
      resourceType: "Parameters",
      parameter: [
        { name: "patient", valueReference: { reference: "Patient/anna" } },
        { name: "category", valueString: "therapy" },
        { name: "max", valuePositiveInt: 2 },
      ],
    };
    const posted = await post(JSON.stringify(parameters), "application/fhir+json");
    const form = await post(`${asked}&max=2`, "application/x-www-form-urlencoded");
    expect([posted.json(), form.json()]).toEqual([got, got]);
  });

  test("elements can be asked for as in a search (https://hl7.org/fhir/R4/search.html#elements)", async () => {
    const bundle = (await get(`${address}?${asked}&_elements=code`)).json();
    expect(bundle.entry[0].resource).toMatchObject({ id: "flow-3", meta: { tag: [{ code: "SUBSETTED" }] } });
    expect(bundle.entry[0].resource).not.toHaveProperty("subject");
  });

  test.each([
    ["no subject", "category=therapy"],
    ["no category or code", "patient=Patient/anna"],
    ["a max of 0", `${asked}&max=0`],
  ])("%s is refused with 400 and an outcome", async (_what, query) => {
    const answer = await get(`${address}?${query}`);
    expect([answer.statusCode, answer.json().resourceType]).toEqual([400, "OperationOutcome"]);
  });

  // https://hl7.org/fhir/R4/search.html#errors
  test("a parameter that is not known is ignored with a warning, and refused in strict handling", async () => {
    const lenient = (await get(`${address}?${asked}&colour=green`)).json() as Bundle;
    expect(lenient.entry?.at(-1)).toMatchObject({
      resource: { resourceType: "OperationOutcome", issue: [{ severity: "warning" }] },
      search: { mode: "outcome" },
    });
    const strict = await get(`${address}?${asked}&colour=green`, { prefer: "handling=strict" });
    expect(strict.statusCode).toBe(400);
  });

  test("other methods are answered with 405 and what the address takes (RFC 9110, 15.5.6)", async () => {
    const answer = await here.app.inject({ method: "DELETE", url: address, headers: here.headers });
    expect([answer.statusCode, answer.headers.allow]).toEqual([405, "GET, HEAD, POST"]);
  });
});
