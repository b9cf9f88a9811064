import type { Bundle } from "@medplum/fhirtypes";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { inTenant } from "../../src/store/database.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { put } from "../support/service.ts";

// Expectations from https://hl7.org/fhir/R4/patient-operation-everything.html unless another page is named.
let here: TestApp;

beforeAll(async () => {
  here = await testApp("2026-03-10T12:00:00Z");
  await put(
    here,
    { resourceType: "Patient", id: "anna" },
    { resourceType: "Device", id: "hush" },
    ...["a", "b", "c", "d"].map((id) => ({
      resourceType: "Observation",
      id,
      status: "final",
      code: { text: "peak cough flow" },
      subject: { reference: "Patient/anna" },
      device: { reference: "Device/hush" },
      valueQuantity: { value: 180, unit: "L/min" },
    })),
  );
});

afterAll(() => here.close());

const address = "/fhir/Patient/anna/$everything";

function get(url: string, token = here.token) {
  return here.app.inject({ method: "GET", url, headers: { authorization: `Bearer ${token}` } });
}

function post(parameter: object[]) {
  return here.app.inject({
    method: "POST",
    url: address,
    headers: here.headers,
    payload: { resourceType: "Parameters", parameter },
  });
}

function linkOf(bundle: Bundle, relation: string): string | undefined {
  return bundle.link?.find((link) => link.relation === relation)?.url;
}

function matchesOf(bundle: Bundle): string[] {
  const matches = (bundle.entry ?? []).filter((entry) => entry.search?.mode === "match");
  return matches.map((entry) => (entry.fullUrl ?? "").replace("https://gate.test/fhir/", ""));
}

describe("Patient/[id]/$everything", () => {
  test("answers a searchset with matches and includes, each with its full url (https://hl7.org/fhir/R4/bundle.html#searchset)", async () => {
    const answer = await get(address);
    expect([answer.statusCode, answer.headers["content-type"]]).toEqual([200, "application/fhir+json; charset=utf-8"]);
    const bundle = answer.json() as Bundle;
    expect([bundle.resourceType, bundle.type]).toEqual(["Bundle", "searchset"]);
    expect(matchesOf(bundle)).toEqual([
      "Patient/anna",
      "Observation/a",
      "Observation/b",
      "Observation/c",
      "Observation/d",
    ]);
    expect(bundle.entry?.at(-1)).toMatchObject({
      fullUrl: "https://gate.test/fhir/Device/hush",
      resource: { resourceType: "Device", id: "hush" },
      search: { mode: "include" },
    });
    expect(linkOf(bundle, "self")).toBe("https://gate.test/fhir/Patient/anna/$everything");
    expect(linkOf(bundle, "next")).toBeUndefined();
  });

  // https://hl7.org/fhir/R4/http.html#paging
  test("paging by the link next visits everything once, and the last page has no next", async () => {
    const seen: string[] = [];
    let url: string | undefined = `${address}?_count=2&_type=Observation,Patient`;
    let pages = 0;
    for (; url !== undefined && pages < 10; pages += 1) {
      const bundle: Bundle = (await get(url)).json();
      seen.push(...matchesOf(bundle));
      url = linkOf(bundle, "next")?.replace("https://gate.test", "");
    }
    expect(pages).toBe(3);
    expect(seen).toEqual(["Patient/anna", "Observation/a", "Observation/b", "Observation/c", "Observation/d"]);
  });

  test("the link self of a page leads to the same page", async () => {
    const first: Bundle = (await get(`${address}?_count=2`)).json();
    const next = (linkOf(first, "next") ?? "").replace("https://gate.test", "");
    const second: Bundle = (await get(next)).json();
    const self = (linkOf(second, "self") ?? "").replace("https://gate.test", "");
    expect((await get(self)).json()).toEqual(second);
  });

  test.each([
    ["with another filter", (next: string) => next.replace("_count=2", "_count=2&start=2026")],
    ["of another patient", (next: string) => next.replace("/anna/", "/ben/")],
    ["with a changed letter", (next: string) => next.replace(/_cursor=./, "_cursor=~")],
  ])("a link to a page %s is refused with 400", async (_what, changed) => {
    const bundle: Bundle = (await get(`${address}?_count=2`)).json();
    const next = (linkOf(bundle, "next") ?? "").replace("https://gate.test", "");
    expect((await get(next)).statusCode).toBe(200);
    const answer = await get(changed(next));
    expect([answer.statusCode, answer.json().resourceType]).toEqual([400, "OperationOutcome"]);
  });

  // https://hl7.org/fhir/R4/operations.html#request
  test("a POST with Parameters is answered like the GET, with links to GET", async () => {
    const posted = await post([
      { name: "_type", valueCode: "Observation" },
      { name: "_count", valueInteger: 3 },
      { name: "start", valueDate: "2026-01-01" },
    ]);
    const got = await get(`${address}?start=2026-01-01&_type=Observation&_count=3`);
    expect(posted.statusCode).toBe(200);
    expect(posted.json()).toEqual(got.json());
    expect(matchesOf(posted.json())).toHaveLength(3);
  });

  test("a POST without a body asks for everything", async () => {
    const { authorization } = here.headers;
    const answer = await here.app.inject({ method: "POST", url: address, headers: { authorization } });
    expect([answer.statusCode, matchesOf(answer.json()).length]).toEqual([200, 5]);
  });

  test.each([
    ["?start=yesterday"],
    ["?_since=2026-03-10"],
    ["?_type=Hospital"],
    ["?_count=0"],
    ["?_offset=5"],
    ["?colour=green"],
    ["?start=2026&start=2025"],
  ])("%s is refused with 400 and an outcome", async (query) => {
    const answer = await get(`${address}${query}`);
    expect([answer.statusCode, answer.json().resourceType]).toEqual([400, "OperationOutcome"]);
  });

  test("a patient that is not there is 404, for a stranger as well (https://hl7.org/fhir/R4/http.html#read)", async () => {
    const answers = [await get("/fhir/Patient/never/$everything"), await get(address, here.strangersToken)];
    expect(answers.map((answer) => answer.statusCode)).toEqual([404, 404]);
  });

  test("more devices than a page may bring are cut off with a warning that says so", async () => {
    const { maxIncluded } = here.service.limits;
    const ids = Array.from({ length: maxIncluded + 1 }, (_, i) => `many-${i}`);
    // Straight into the table: what they hold does not matter here, only how many there are.
    await inTenant(here.database, here.tenantId, (session) =>
      session.query(
        `insert into resource (tenant_id, type, id, version, last_updated, terms, body)
         select $1, 'Device', id, 1, now(), '{}', json_build_object('resourceType', 'Device', 'id', id)::text from unnest($2::text[]) as id`,
        [session.tenantId, ids],
      ),
    );
    await put(
      here,
      { resourceType: "Patient", id: "collector" },
      ...[0, 1, 2].map((part) => ({
        resourceType: "List",
        id: `list-${part}`,
        status: "current",
        mode: "working",
        subject: { reference: "Patient/collector" },
        entry: ids.filter((_, i) => i % 3 === part).map((id) => ({ item: { reference: `Device/${id}` } })),
      })),
    );
    const whole: Bundle = (await get("/fhir/Patient/collector/$everything")).json();
    expect((whole.entry ?? []).filter((entry) => entry.search?.mode === "include")).toHaveLength(maxIncluded);
    expect(whole.entry?.at(-1)).toMatchObject({
      resource: { resourceType: "OperationOutcome", issue: [{ severity: "warning", code: "too-costly" }] },
      search: { mode: "outcome" },
    });
    const small: Bundle = (await get("/fhir/Patient/collector/$everything?_count=2")).json();
    expect(small.entry?.some((entry) => entry.search?.mode === "outcome")).toBe(false);
  });
});
