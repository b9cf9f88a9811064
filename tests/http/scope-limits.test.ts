import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { patientResource } from "../../src/fhir/patient.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { askForToken, assertionOf, sendForm, testClient, tokenFor } from "../support/client.ts";
import { put } from "../support/service.ts";

const category = "http://terminology.hl7.org/CodeSystem/observation-category";
const survey = `system/Observation.rs?category=${category}|survey`;

let here: TestApp;
let limited: string;
let open: string;

const observation = (id: string, code: string) =>
  ({
    resourceType: "Observation",
    id,
    status: "final",
    category: [{ coding: [{ system: category, code }] }],
    code: { text: `Oak ${code}` },
    subject: { reference: "Patient/anna" },
    effectiveDateTime: "2026-06-01",
    issued: "2026-06-01T09:00:00Z",
  }) as const;

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
  await put(here, patientResource({ id: "anna", family: "Oak", given: "Anna" }));
  await put(here, observation("s1", "survey"), observation("s2", "survey"), observation("v1", "vital-signs"));
  // It was a survey once, and is none any more; the other way round.
  await put(here, observation("former", "survey"));
  await put(here, observation("former", "vital-signs"));
  await put(here, observation("became", "vital-signs"));
  await put(here, observation("became", "survey"));
  limited = await tokenFor(here, "dashboard", `${survey} system/Patient.rs`);
  open = await tokenFor(here, "dashboard", "system/Observation.rs system/Patient.rs");
});

afterAll(() => here.close());

const ask = (url: string, token = limited) => here.app.inject({ url, headers: { authorization: `Bearer ${token}` } });

async function idsOf(url: string, token = limited): Promise<string[]> {
  const answer = await ask(url, token);
  expect(answer.statusCode, answer.body).toBe(200);
  const { entry = [] } = answer.json() as { entry?: { resource: { id: string; resourceType: string } }[] };
  return entry.flatMap((one) => (one.resource.resourceType === "Observation" ? one.resource.id : [])).sort();
}

describe("an Observation outside the limit is not there", () => {
  const inside = ["became", "s1", "s2"];

  test.each([
    ["a search", "/fhir/Observation?_count=50"],
    ["a search for just those", `/fhir/Observation?category=${category}%7Cvital-signs,survey`],
    ["by id", "/fhir/Observation?_id=s1,s2,v1,former,became"],
    ["by date", "/fhir/Observation?date=2026-06-01"],
    ["by text", "/fhir/Observation?code:text=oak"],
    ["by what is missing", "/fhir/Observation?method:missing=true"],
    ["by a chain", "/fhir/Observation?subject:Patient.family=Oak"],
    ["sorted by date", "/fhir/Observation?_sort=-date"],
    ["the compartment", "/fhir/Patient/anna/Observation"],
    ["everything about the person", "/fhir/Patient/anna/$everything"],
    ["taken along", "/fhir/Patient?_id=anna&_revinclude=Observation:subject"],
  ])("%s", async (_, url) => {
    expect(await idsOf(url)).toEqual(inside);
    expect(await idsOf(url, open)).toEqual(expect.arrayContaining(["v1", "former"]));
  });

  test("read by id, by version and by its history, it answers as one that never was", async () => {
    for (const id of ["v1", "former"]) {
      for (const way of ["", "/_history", "/_history/1", "/$meta"]) {
        const [hidden, none] = await Promise.all([id, "nobody"].map((one) => ask(`/fhir/Observation/${one}${way}`)));
        expect([hidden?.statusCode, hidden?.body.replaceAll(id, "nobody")]).toEqual([none?.statusCode, none?.body]);
        expect(none?.statusCode).toBe(404);
      }
    }
  });

  test("a replaced version does not show, whatever it was", async () => {
    expect((await ask("/fhir/Observation/became/_history/1")).statusCode).toBe(404);
    expect((await ask("/fhir/Observation/became/_history/2")).statusCode).toBe(200);
    expect((await ask("/fhir/Observation/became")).json()).toMatchObject({ id: "became" });
    const history = (await ask("/fhir/Observation/_history")).body;
    expect(history).not.toContain("vital-signs");
  });

  test("counts, and what people have, tell nothing of it", async () => {
    const total = async (url: string, token: string) => ((await ask(url, token)).json() as { total: number }).total;
    expect(await total("/fhir/Observation?_summary=count", limited)).toBe(3);
    expect(await total("/fhir/Observation?_summary=count", open)).toBe(5);
    const has = `/fhir/Patient?_summary=count&_has:Observation:patient:category=${category}%7Cvital-signs`;
    expect(await total(has, limited)).toBe(0);
    expect(await total(has, open)).toBe(1);
  });
});

describe("limits are given and asked for", () => {
  test("by a token of an unlimited client that asks for less", async () => {
    const client = await testClient(here, "dashboard", { scope: "system/Observation.rs system/Patient.rs" });
    const answer = (await askForToken(here, await assertionOf(here, client), survey)).json() as {
      scope?: string;
      access_token?: string;
    };
    expect(answer.scope).toBe(survey);
    expect(await idsOf("/fhir/Observation", answer.access_token)).toEqual(["became", "s1", "s2"]);
    const told = await sendForm(here, "/auth/introspect", { token: answer.access_token ?? "" }, answer.access_token);
    expect(told.json()).toMatchObject({ active: true, scope: survey });
  });

  test("and never by a token that asks for more", async () => {
    const client = await testClient(here, "dashboard", { scope: survey });
    const wide = (await askForToken(here, await assertionOf(here, client), "system/*.cruds")).json() as {
      scope: string;
    };
    expect(wide.scope).toBe(survey);
    const other = await askForToken(here, await assertionOf(here, client), "system/Observation.rs?category=laboratory");
    expect(other.json()).toMatchObject({ error: "invalid_scope" });
  });

  test.each([
    ["system/Observation.rs?date=2026", "kind token"],
    ["system/Observation.rs?patient=anna", "kind token"],
    [`${survey} system/Observation.u`, "cannot be written as well"],
    [`${survey} system/*.cud`, "cannot be written as well"],
    ["system/Observation.rs?category:not=survey", "is no scope here"],
  ])("a client is not registered for %s", async (scope, words) => {
    await expect(testClient(here, "integration", { scope })).rejects.toThrow(words);
  });

  test("a token that would write under a limit is refused", async () => {
    const client = await testClient(here, "integration");
    const answer = await askForToken(here, await assertionOf(here, client), `${survey} system/Observation.u`);
    expect([answer.statusCode, answer.json().error]).toEqual([400, "invalid_scope"]);
  });
});
