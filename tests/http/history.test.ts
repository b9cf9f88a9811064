import type { Bundle, Resource } from "@medplum/fhirtypes";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { deleteResource } from "../../src/flows/delete-resource.ts";
import { updateResource } from "../../src/flows/write-resource.ts";
import { historyRoutes } from "../../src/http/history-routes.ts";
import { type OperationsApp, operationsApp } from "../support/operations-app.ts";
import { put } from "../support/service.ts";

// Expectations from https://hl7.org/fhir/R4/http.html, section history unless another is named.
let here: OperationsApp;
const base = "https://gate.test/fhir";
const noon = Date.parse("2026-03-10T12:00:00Z");
const hours = (count: number) => count * 3_600_000;

beforeAll(async () => {
  here = await operationsApp("2026-03-10T12:00:00Z", historyRoutes);
  // anna: made at 12, changed at 13, deleted at 14, made again at 15; bo: made at 13; peak: made at 16.
  await at(0, () => put(here, person("anna", "Fernleigh")));
  await at(1, () => put(here, person("anna", "Gorsefield"), person("bo", "Hythe")));
  await at(2, () => deleteResource(here.service, here.tenantId, { type: "Patient", id: "anna" }));
  await at(3, () => put(here, person("anna", "Fernleigh")));
  await at(4, () => put(here, peakCoughFlow));
});

afterAll(() => here.close());

const person = (id: string, family: string) => ({
  resourceType: "Patient",
  id,
  active: true,
  name: [{ family }],
  birthDate: "1961-05-04",
});

const peakCoughFlow = {
  resourceType: "Observation",
  id: "peak",
  status: "final",
  code: { text: "Peak cough flow" },
  subject: { reference: "Patient/bo" },
  valueQuantity: { value: 265, unit: "L/min", system: "http://unitsofmeasure.org", code: "L/min" },
};

async function at<T>(hour: number, work: () => Promise<T>): Promise<T> {
  here.clock.at = noon + hours(hour);
  return await work();
}

function get(url: string, headers: Record<string, string | undefined> = {}) {
  const authorization = headers.authorization ?? here.headers.authorization;
  return here.app.inject({ method: "GET", url, headers: { ...headers, authorization } });
}

async function history(url: string, headers: Record<string, string> = {}): Promise<Bundle> {
  const answer = await get(url, headers);
  expect([answer.statusCode, answer.headers["content-type"]]).toEqual([200, "application/fhir+json; charset=utf-8"]);
  const bundle = answer.json() as Bundle;
  expect([bundle.resourceType, bundle.type]).toEqual(["Bundle", "history"]);
  return bundle;
}

/** Each entry as `METHOD url status version`. */
function told(bundle: Bundle): string[] {
  return (bundle.entry ?? []).map(({ request, response }) =>
    [request?.method, request?.url, response?.status?.slice(0, 3), response?.etag].join(" "),
  );
}

const link = (bundle: Bundle, relation: string) => bundle.link?.find((one) => one.relation === relation)?.url;

const annas = [
  'PUT Patient/anna 201 W/"4"',
  'DELETE Patient/anna 204 W/"3"',
  'PUT Patient/anna 200 W/"2"',
  'POST Patient 201 W/"1"',
];

describe("the history of one resource", () => {
  test("tells every version, newest first, from its creation over its deletion to its return", async () => {
    const bundle = await history("/fhir/Patient/anna/_history");
    expect(told(bundle)).toEqual(annas);
    expect(bundle.total).toBe(4);
    expect(link(bundle, "self")).toBe(`${base}/Patient/anna/_history`);
    expect(link(bundle, "next")).toBeUndefined();
  });

  test("shows each version as it was, and none for the deletion", async () => {
    const { entry = [] } = await history("/fhir/Patient/anna/_history");
    const families = entry.map(({ resource }) => (resource as { name?: { family: string }[] })?.name?.[0]?.family);
    expect(families).toEqual(["Fernleigh", undefined, "Gorsefield", "Fernleigh"]);
    expect(entry.map((one) => "resource" in one)).toEqual([true, false, true, true]);
    expect(new Set(entry.map((one) => one.fullUrl))).toEqual(new Set([`${base}/Patient/anna`]));
    expect(entry[1]?.response?.lastModified).toBe("2026-03-10T14:00:00.000Z");
  });

  test("is still there when the resource is deleted", async () => {
    await at(4, () => put(here, person("gone", "Ings")));
    await at(5, () => deleteResource(here.service, here.tenantId, { type: "Patient", id: "gone" }));
    expect(told(await history("/fhir/Patient/gone/_history"))).toEqual([
      'DELETE Patient/gone 204 W/"2"',
      'POST Patient 201 W/"1"',
    ]);
  });

  test("is not found when the resource never was, or is another tenant's", async () => {
    for (const [id, headers] of [
      ["nobody", {}],
      ["anna", here.strangersHeaders],
    ] as const) {
      for (const query of ["", "?_summary=count", "?_count=0", "?_since=2026-01-01T00:00:00Z"]) {
        const answer = await get(`/fhir/Patient/${id}/_history${query}`, headers);
        expect([answer.statusCode, answer.json().issue[0].code]).toEqual([404, "not-found"]);
      }
    }
  });

  test("is empty and not missing when nothing happened since", async () => {
    const bundle = await history("/fhir/Patient/anna/_history?_since=2026-03-11T00:00:00Z");
    expect([bundle.total, "entry" in bundle]).toEqual([0, false]);
  });

  // https://hl7.org/fhir/R4/datatypes.html#decimal: the precision of a decimal is kept.
  test("keeps decimals as they were sent", async () => {
    const text =
      '{"resourceType":"Observation","id":"exact","status":"final","code":{"text":"x"},"valueQuantity":{"value":2.50}}';
    await updateResource(here.service, here.tenantId, { type: "Observation", id: "exact" }, text);
    const answer = await get("/fhir/Observation/exact/_history");
    expect(answer.body).toContain('"valueQuantity":{"value":2.50}');
  });
});

describe("the history of a type and of everything", () => {
  const until16 = (bundle: Bundle) =>
    told({
      ...bundle,
      entry: (bundle.entry ?? []).filter(({ response }) => (response?.lastModified ?? "") < "2026-03-10T16"),
    });

  test("of a type it tells the versions of all its resources", async () => {
    const bundle = await history("/fhir/Patient/_history");
    expect(until16(bundle)).toEqual([
      'PUT Patient/anna 201 W/"4"',
      'DELETE Patient/anna 204 W/"3"',
      'POST Patient 201 W/"1"',
      'PUT Patient/anna 200 W/"2"',
      'POST Patient 201 W/"1"',
    ]);
    expect(link(bundle, "self")).toBe(`${base}/Patient/_history`);
  });

  test("of everything it tells the versions of every type", async () => {
    const bundle = await history("/fhir/_history?_since=2026-03-10T13:00:00Z");
    const types = new Set((bundle.entry ?? []).flatMap(({ resource }) => resource?.resourceType ?? []));
    expect(types).toEqual(new Set(["Patient", "Observation"]));
    expect(bundle.total).toBe(bundle.entry?.length);
  });

  test("another tenant sees nothing of it", async () => {
    const authorization = here.strangersHeaders.authorization ?? "";
    for (const path of ["_history", "Patient/_history"]) {
      expect((await history(`/fhir/${path}`, { authorization })).total).toBe(0);
    }
  });
});

describe("which versions are asked for", () => {
  test("_since takes in what was made at the very instant (section history, _since)", async () => {
    expect(told(await history("/fhir/Patient/anna/_history?_since=2026-03-10T14:00:00Z"))).toEqual(annas.slice(0, 2));
    expect(told(await history("/fhir/Patient/anna/_history?_since=2026-03-10T14:00:00.001Z"))).toEqual(
      annas.slice(0, 1),
    );
  });

  test("_since is read in the zone that it names", async () => {
    const url = "/fhir/Patient/anna/_history?_since=2026-03-10T15:00:00%2B01:00";
    expect(told(await history(url))).toEqual(annas.slice(0, 2));
  });

  test("_at an instant tells the one version that was current then (section history, _at)", async () => {
    expect(told(await history("/fhir/Patient/anna/_history?_at=2026-03-10T13:30:00Z"))).toEqual([annas[2]]);
    expect(told(await history("/fhir/Patient/anna/_history?_at=2026-03-10T12:59:59.999Z"))).toEqual([annas[3]]);
    expect(told(await history("/fhir/Patient/anna/_history?_at=2026-03-10T13:00:00.000Z"))).toEqual([annas[2]]);
  });

  // https://hl7.org/fhir/R4/search.html#date: a date is the whole day, a month the whole month.
  test("_at a day or a month tells all versions that were current at some time of it", async () => {
    expect(told(await history("/fhir/Patient/anna/_history?_at=2026-03-10"))).toEqual(annas);
    expect(told(await history("/fhir/Patient/anna/_history?_at=2026-04"))).toEqual(annas.slice(0, 1));
    expect(told(await history("/fhir/Patient/anna/_history?_at=2026-03-09"))).toEqual([]);
  });
});

describe("what is shown of each version", () => {
  // https://hl7.org/fhir/R4/search.html#summary and #elements: tagged SUBSETTED. Modifiers (Patient.active) stay.
  test.each([
    ["_summary=true", ["active", "birthDate", "id", "meta", "name", "resourceType"]],
    ["_summary=text", ["id", "meta", "resourceType"]],
    ["_elements=birthDate", ["active", "birthDate", "id", "meta", "resourceType"]],
  ])("%s shows a part and says so", async (query, expected) => {
    const { entry = [] } = await history(`/fhir/Patient/bo/_history?${query}`);
    const resource = entry[0]?.resource as Resource;
    expect(Object.keys(resource).sort()).toEqual(expected);
    expect(resource.meta?.tag?.map((tag) => tag.code)).toEqual(["SUBSETTED"]);
  });

  test.each(["_summary=count", "_count=0"])("%s answers the number alone", async (query) => {
    const bundle = await history(`/fhir/Patient/anna/_history?${query}`);
    expect([bundle.total, "entry" in bundle, link(bundle, "next")]).toEqual([4, false, undefined]);
  });
});

describe("pages", () => {
  async function follow(first: string, between: (page: number) => Promise<unknown> = async () => undefined) {
    const pages: Bundle[] = [];
    for (let url: string | undefined = first; url !== undefined; ) {
      const page: Bundle = await history(url);
      pages.push(page);
      url = link(page, "next")?.slice("https://gate.test".length);
      if (url !== undefined) await between(pages.length);
    }
    return pages;
  }

  // https://hl7.org/fhir/R4/http.html#paging: integrity between pages; the last page has no next.
  test("following next gives the whole history once, however much is written meanwhile", async () => {
    const whole = told(await history("/fhir/_history?_count=500"));
    const pages = await follow("/fhir/_history?_count=2", (page) =>
      at(6, () => put(here, person("bo", `Hythe ${page}`), person(`late-${page}`, "Jarrow"))),
    );
    expect(pages.flatMap(told)).toEqual(whole);
    expect(pages.map((page) => page.entry?.length).slice(0, -1)).toEqual(Array(pages.length - 1).fill(2));
    expect(new Set(pages.map((page) => page.total))).toEqual(new Set([whole.length]));
  });

  test("a period that has not come yet keeps its versions on later pages, though they are replaced meanwhile", async () => {
    for (const id of ["k1", "k2", "k3"]) await at(7, () => put(here, { resourceType: "Device", id }));
    const pages = await follow("/fhir/Device/_history?_count=1&_at=2031", () =>
      at(8, () => put(here, { resourceType: "Device", id: "k1" })),
    );
    const shown = pages.flatMap((page) => page.entry?.map((one) => `${one.fullUrl} ${one.response?.etag}`));
    expect(shown).toEqual(["k3", "k2", "k1"].map((id) => `${base}/Device/${id} W/"1"`));
  });

  test("the links keep what was asked for", async () => {
    const bundle = await history("/fhir/Patient/anna/_history?_count=1&_since=2026-03-10T13:00:00Z&_elements=name");
    const next = new URL(link(bundle, "next") ?? "");
    expect(next.pathname).toBe("/fhir/Patient/anna/_history");
    const kept = { _count: "1", _since: "2026-03-10T13:00:00Z", _elements: "name" };
    expect(Object.fromEntries(next.searchParams)).toMatchObject(kept);
  });

  test("a place is refused in another history, with other versions asked for, by another tenant, or changed", async () => {
    const next = new URL(link(await history("/fhir/Patient/anna/_history?_count=1"), "next") ?? "");
    const place = next.searchParams.get("_cursor") ?? "";
    expect((await get(`/fhir/Patient/anna/_history?_count=2&_cursor=${place}`)).statusCode).toBe(200);
    const elsewhere = [
      "bo/_history?",
      "_history?",
      "anna/_history?_since=2026-03-10T13:00:00Z&",
      "anna/_history?_at=2026&",
    ];
    const refused = await Promise.all([
      ...elsewhere.map((path) => get(`/fhir/Patient/${path}_cursor=${place}`)),
      get(`/fhir/Patient/anna/_history?_cursor=${place}`, here.strangersHeaders),
      get(`/fhir/Patient/anna/_history?_cursor=A${place}`),
    ]);
    expect(refused.map((answer) => answer.statusCode)).toEqual(refused.map(() => 400));
  });
});

describe("parameters that cannot be answered", () => {
  // https://hl7.org/fhir/R4/search.html#errors and http.html#general (Prefer: handling).
  test("an unknown one is ignored and left out of self, and refused when strict handling is preferred", async () => {
    const url = "/fhir/Patient/anna/_history?_count=1&_sort=_id";
    expect(link(await history(url), "self")).toBe(`${base}/Patient/anna/_history?_count=1`);
    const strict = await get(url, { prefer: "handling=strict" });
    expect([strict.statusCode, strict.json().issue[0].expression]).toEqual([400, ["_sort"]]);
  });

  test.each(["_since=then", "_at=2026-13", "_count=some", "_summary=all"])("%s is refused with 400", async (query) => {
    const answer = await get(`/fhir/_history?${query}`);
    expect([answer.statusCode, answer.json().resourceType]).toEqual([400, "OperationOutcome"]);
  });

  // https://hl7.org/fhir/R4/http.html#head: HEAD answers as GET does, without the body.
  test("HEAD answers the same headers without a body", async () => {
    const { authorization = "" } = here.headers;
    const answer = await here.app.inject({
      method: "HEAD",
      url: "/fhir/Patient/anna/_history",
      headers: { authorization },
    });
    expect([answer.statusCode, answer.body]).toEqual([200, ""]);
  });
});
