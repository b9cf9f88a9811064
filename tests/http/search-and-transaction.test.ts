import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { type TestApp, testApp } from "../support/app.ts";
import { put } from "../support/service.ts";

let here: TestApp;

beforeAll(async () => {
  here = await testApp("2026-03-10T12:00:00Z");
});

afterAll(() => here.close());

interface Bundle {
  total?: number;
  link: { relation: string; url: string }[];
  entry?: {
    fullUrl?: string;
    resource: { resourceType: string; id: string };
    search: { mode: string };
    response?: { status: string; location?: string };
  }[];
}

async function get(url: string, headers: Record<string, string> = {}): Promise<{ status: number; bundle: Bundle }> {
  const answer = await here.app.inject({
    method: "GET",
    url: url.replace("https://gate.test", ""),
    headers: { authorization: here.headers.authorization, ...headers },
  });
  return { status: answer.statusCode, bundle: answer.json() };
}

function ids(bundle: Bundle, mode = "match"): string[] {
  return (bundle.entry ?? []).filter((one) => one.search.mode === mode).map((one) => one.resource.id);
}

const pulse = (id: string, patientId: string, start: string, value: number) => ({
  resourceType: "Observation",
  id,
  status: "final",
  code: { coding: [{ system: "urn:own", code: "pulse" }] },
  subject: { reference: `Patient/${patientId}` },
  effectiveDateTime: start,
  valueQuantity: { value, unit: "/min", system: "http://unitsofmeasure.org", code: "/min" },
});

describe("search (https://hl7.org/fhir/R4/search.html)", () => {
  beforeAll(async () => {
    await put(
      here,
      {
        resourceType: "Patient",
        id: "a",
        name: [{ family: "Ünderwood", given: ["Ada"] }],
        birthDate: "1990-02-03",
      } as never,
      { resourceType: "Patient", id: "b", name: [{ family: "Underhill" }], birthDate: "1971-05" } as never,
      ...[1, 2, 3, 4, 5].map((day) =>
        pulse(`pulse-${day}`, day < 5 ? "a" : "b", `2026-03-0${day}T08:00:00Z`, 60 + day),
      ),
    );
  });

  test.each([
    ["Patient?name=under", ["a", "b"]],
    ["Patient?family:exact=Underhill", ["b"]],
    ["Patient?birthdate=1990", ["a"]],
    ["Patient?birthdate=lt1980-01-01", ["b"]],
    ["Patient?_id=a,b&birthdate=ge1980", ["a"]],
    ["Observation?patient=a&_sort=-date&_count=2", ["pulse-4", "pulse-3"]],
    ["Observation?subject=Patient/b", ["pulse-5"]],
    ["Observation?code=urn:own|pulse&date=ge2026-03-04", ["pulse-4", "pulse-5"]],
    ["Observation?code=|pulse", []],
    ["Observation?value-quantity=gt63|http://unitsofmeasure.org|/min", ["pulse-4", "pulse-5"]],
    ["Observation?value-quantity=62", ["pulse-2"]],
    ["Observation?status:not=final", []],
    ["Observation?patient=a&device:missing=false", []],
    ["Patient?name=under\\,x", []],
  ])("%s finds %j", async (query, expected) => {
    const { status, bundle } = await get(`/fhir/${query}`);
    expect(status).toBe(200);
    expect(ids(bundle)).toEqual(expected);
  });

  test("pages follow each other through next to the end, and nothing comes twice (section paging)", async () => {
    const found: string[] = [];
    let url: string | undefined = "/fhir/Observation?code=pulse&_count=2&_sort=-date";
    let pages = 0;
    while (url !== undefined && pages < 10) {
      const { bundle }: { bundle: Bundle } = await get(url);
      found.push(...ids(bundle));
      url = bundle.link.find((one) => one.relation === "next")?.url;
      pages += 1;
    }
    expect(found).toEqual(["pulse-5", "pulse-4", "pulse-3", "pulse-2", "pulse-1"]);
    expect(pages).toBe(3);
  });

  test("_include brings the patient once, _revinclude the observations of each", async () => {
    const forward = await get("/fhir/Observation?patient=a&_include=Observation:subject");
    expect(ids(forward.bundle, "include")).toEqual(["a"]);
    const reverse = await get("/fhir/Patient?_id=b&_revinclude=Observation:subject");
    expect(ids(reverse.bundle, "include")).toEqual(["pulse-5"]);
  });

  test("an unknown parameter is ignored with a warning, and left out of self; strict handling refuses it", async () => {
    const lenient = await get("/fhir/Patient?colour=red&_id=a");
    expect(ids(lenient.bundle)).toEqual(["a"]);
    expect(lenient.bundle.entry?.at(-1)).toMatchObject({
      search: { mode: "outcome" },
      resource: { issue: [{ severity: "warning" }] },
    });
    expect(lenient.bundle.link[0]?.url).toBe("https://gate.test/fhir/Patient?_id=a");
    expect((await get("/fhir/Patient?colour=red", { prefer: "handling=strict" })).status).toBe(400);
  });

  test("_count=0 and _summary=count give the total alone", async () => {
    for (const wish of ["_count=0", "_summary=count"]) {
      const { bundle } = await get(`/fhir/Observation?patient=a&${wish}`);
      expect([bundle.total, bundle.entry]).toEqual([4, undefined]);
    }
  });

  test("a search by POST answers like one by GET", async () => {
    const answer = await here.app.inject({
      method: "POST",
      url: "/fhir/Patient/_search",
      headers: { authorization: here.headers.authorization, "content-type": "application/x-www-form-urlencoded" },
      payload: "name=under&birthdate=lt1980",
    });
    expect(ids(answer.json())).toEqual(["b"]);
  });
});

function post(bundle: unknown) {
  return here.app.inject({ method: "POST", url: "/fhir", headers: here.headers, payload: JSON.stringify(bundle) });
}

describe("transaction (https://hl7.org/fhir/R4/http.html#transaction)", () => {
  const urn = "urn:uuid:6f1c1b0a-8c55-4c0e-9d64-1f2a3b4c5d6e";

  test("references to other entries become the ids they got, and each entry has its own answer", async () => {
    const answer = await post({
      resourceType: "Bundle",
      type: "transaction",
      entry: [
        {
          request: { method: "POST", url: "Observation" },
          resource: { ...pulse("x", "x", "2026-03-01", 70), id: undefined, subject: { reference: urn } },
        },
        { fullUrl: urn, request: { method: "POST", url: "Patient" }, resource: { resourceType: "Patient" } },
        { request: { method: "GET", url: "Patient/a" } },
      ],
    });
    const bundle: Bundle = answer.json();
    expect(bundle.entry?.map((one) => one.response?.status)).toEqual(["201 Created", "201 Created", "200 OK"]);
    const [observation, patient] = (bundle.entry ?? []).map((one) => one.response?.location?.split("/")[5]);
    const stored = await here.app.inject({
      method: "GET",
      url: `/fhir/Observation/${observation}`,
      headers: { authorization: here.headers.authorization },
    });
    expect(stored.json().subject.reference).toBe(`Patient/${patient}`);
  });

  test("one bad entry refuses all of it, and says which", async () => {
    const answer = await post({
      resourceType: "Bundle",
      type: "transaction",
      entry: [
        { request: { method: "PUT", url: "Patient/half" }, resource: { resourceType: "Patient", id: "half" } },
        { request: { method: "POST", url: "Observation" }, resource: { resourceType: "Observation", status: "final" } },
      ],
    });
    expect(answer.statusCode).toBeGreaterThanOrEqual(400);
    expect(answer.json().issue[0].expression[0]).toContain("Bundle.entry[1]");
    expect((await get("/fhir/Patient?_id=half&_count=0")).bundle.total).toBe(0);
  });

  test("If-None-Exist makes a resource once", async () => {
    const bundle = {
      resourceType: "Bundle",
      type: "transaction",
      entry: [
        {
          request: { method: "POST", url: "Patient", ifNoneExist: "identifier=urn:x|77" },
          resource: { resourceType: "Patient", identifier: [{ system: "urn:x", value: "77" }] },
        },
      ],
    };
    const statuses = [(await post(bundle)).json(), (await post(bundle)).json()].map(
      (one: Bundle) => one.entry?.[0]?.response?.status,
    );
    expect(statuses).toEqual(["201 Created", "200 OK"]);
  });

  test("the same target twice is refused", async () => {
    const entry = { request: { method: "PUT", url: "Patient/dup" }, resource: { resourceType: "Patient", id: "dup" } };
    expect((await post({ resourceType: "Bundle", type: "transaction", entry: [entry, entry] })).statusCode).toBe(400);
  });
});

test("a second open Task about the same finding is refused with 409, not with a failure of ours", async () => {
  const task = (id: string) => ({
    resourceType: "Task",
    id,
    status: "requested",
    intent: "order",
    extension: [{ url: "https://tidegate.example/fhir/StructureDefinition/finding-subject", valueString: "therapy" }],
    code: { coding: [{ system: "https://tidegate.example/fhir/CodeSystem/finding-rule", code: "low-use" }] },
    for: { reference: "Patient/a" },
  });
  const send = (id: string) =>
    here.app.inject({
      method: "PUT",
      url: `/fhir/Task/${id}`,
      headers: here.headers,
      payload: JSON.stringify(task(id)),
    });
  expect([(await send("one")).statusCode, (await send("two")).statusCode]).toEqual([201, 409]);
});
