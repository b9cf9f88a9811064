import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { deleteResource } from "../../src/flows/delete-resource.ts";
import { matchPatient } from "../../src/flows/match-patient.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { put } from "../support/service.ts";
import { ada, people, ward } from "./match-people.ts";

// Every expectation here is of https://hl7.org/fhir/R4/patient-operation-match.html unless it names another page.

let here: TestApp;

beforeAll(async () => {
  here = await testApp("2026-03-10T12:00:00Z");
  await put(here, ...people);
});

afterAll(() => here.close());

interface Bundle {
  resourceType: string;
  type: string;
  total: number;
  entry?: {
    fullUrl: string;
    resource: { id: string; resourceType: string; issue?: { code: string; diagnostics: string }[] };
    search: { mode: string; score?: number; extension?: { url: string; valueCode: string }[] };
  }[];
}

async function post(body: unknown, token = here.token, method: "GET" | "POST" = "POST") {
  const answer = await here.app.inject({
    method,
    url: "/fhir/Patient/$match",
    headers: { authorization: `Bearer ${token}`, "content-type": "application/fhir+json" },
    ...(method === "GET" ? {} : { payload: typeof body === "string" ? body : JSON.stringify(body) }),
  });
  return { status: answer.statusCode, headers: answer.headers, text: answer.body, bundle: answer.json() as Bundle };
}

const parameters = (patient: object, options: { onlyCertain?: boolean; count?: number } = {}) => ({
  resourceType: "Parameters",
  parameter: [
    { name: "resource", resource: { resourceType: "Patient", ...patient } },
    ...(options.onlyCertain === undefined ? [] : [{ name: "onlyCertainMatches", valueBoolean: options.onlyCertain }]),
    ...(options.count === undefined ? [] : [{ name: "count", valueInteger: options.count }]),
  ],
});

const matchesOf = (bundle: Bundle) =>
  (bundle.entry ?? [])
    .filter(({ search }) => search.mode === "match")
    .map(({ resource, search }) => [resource.id, search.extension?.[0]?.valueCode]);
const issuesOf = (bundle: Bundle) =>
  (bundle.entry ?? [])
    .filter(({ search }) => search.mode === "outcome")
    .flatMap(({ resource }) => resource.issue ?? []);

describe("a match", () => {
  test("of number, name and birth date is certain, and comes with score, grade and the stored resource", async () => {
    const { status, headers, bundle } = await post(
      parameters({ identifier: ward("4711"), name: ada.name, birthDate: ada.birthDate }),
    );
    expect(status).toBe(200);
    expect(headers["content-type"]).toBe("application/fhir+json; charset=utf-8");
    expect([bundle.resourceType, bundle.type, bundle.total]).toEqual(["Bundle", "searchset", 1]);
    const [entry] = bundle.entry ?? [];
    expect(entry?.fullUrl).toBe("https://gate.test/fhir/Patient/ada");
    expect(entry?.resource).toMatchObject(ada);
    // https://hl7.org/fhir/R4/extension-match-grade.html
    expect(entry?.search.extension).toEqual([
      { url: "http://hl7.org/fhir/StructureDefinition/match-grade", valueCode: "certain" },
    ]);
    expect(entry?.search.score).toBeGreaterThan(0.98);
    expect(entry?.search.score).toBeLessThanOrEqual(1);
  });

  test("may be asked for with the Patient alone", async () => {
    const { identifier: _, ...described } = ada;
    expect(matchesOf((await post(described)).bundle)[0]).toEqual(["ada", "probable"]);
  });

  test.each<[string, object]>([
    ["day and month exchanged", { name: [{ family: "Harrow", given: ["Ada"] }], birthDate: "1984-07-03" }],
    ["family and given name exchanged", { name: [{ family: "Ada", given: ["Harrow"] }], birthDate: "1984-03-07" }],
    ["a slip in the family name", { name: [{ family: "Harorw", given: ["Ada"] }], birthDate: "1984-03-07" }],
    [
      "the phone written another way",
      {
        telecom: [
          { system: "phone", value: "+447700900123" },
          { system: "phone", value: "+44 7700 900123" },
        ],
        name: ada.name,
      },
    ],
    ["birth date and postcode", { birthDate: "1984-03-07", address: [{ postalCode: "ZZ1 2ZZ" }] }],
    ["a name written as text", { name: [{ text: "Ada Harrow" }] }],
  ])("is found with %s, and is not certain", async (_, patient) => {
    const found = matchesOf((await post(parameters(patient))).bundle);
    expect(found[0]?.[0]).toBe("ada");
    expect(found[0]?.[1]).not.toBe("certain");
  });

  test("of an equal number under another name and birth date is only possible", async () => {
    const stranger = { identifier: ward("4711"), name: [{ family: "Quill", given: ["Per"] }], birthDate: "1999-12-12" };
    expect(matchesOf((await post(parameters(stranger))).bundle)).toContainEqual(["ada", "possible"]);
    expect(matchesOf((await post(parameters(stranger, { onlyCertain: true }))).bundle)).toEqual([]);
  });

  test("of a twin without a number is probable at most, and the other twin only possible", async () => {
    const { identifier: _, id: _id, ...zoe } = people[1] as typeof ada;
    expect(matchesOf((await post(parameters(zoe))).bundle)).toEqual([
      ["twin-zoe", "probable"],
      ["twin-bo", "possible"],
    ]);
  });

  test("comes most certain first", async () => {
    const { bundle } = await post(
      parameters({ identifier: ward("51"), name: [{ family: "Quill", given: ["Zoe"] }], birthDate: "2011-05-09" }),
    );
    const scores = (bundle.entry ?? []).flatMap(({ search }) => search.score ?? []);
    expect(matchesOf(bundle).map(([id]) => id)).toEqual(["twin-zoe", "twin-bo"]);
    expect(scores).toEqual([...scores].sort((a, b) => b - a));
  });

  test("of nobody is an empty bundle and no error", async () => {
    const { status, bundle } = await post(parameters({ identifier: ward("none") }));
    expect([status, bundle.total, bundle.entry]).toEqual([200, 0, undefined]);
  });

  test("says how many came into question and were eliminated", async () => {
    const { bundle } = await post(
      parameters({
        name: [{ family: "Nye", given: ["Ada"] }],
        birthDate: "1984-03-07",
        gender: "male",
        telecom: [{ system: "phone", value: "07700 900999" }],
        address: [{ line: ["1 A"], city: "Brigg", postalCode: "YY9 9YY" }],
      }),
    );
    expect(matchesOf(bundle)).toEqual([]);
    expect(issuesOf(bundle)[0]?.diagnostics).toContain("1 records came into question and were eliminated");
  });
});

describe("onlyCertainMatches", () => {
  test("answers the one that is certain and not the twin beside it", async () => {
    const zoe = { identifier: ward("51"), name: [{ family: "Quill", given: ["Zoe"] }], birthDate: "2011-05-09" };
    expect(matchesOf((await post(parameters(zoe, { onlyCertain: true }))).bundle)).toEqual([["twin-zoe", "certain"]]);
  });

  test("answers nobody when two are certain, and says so", async () => {
    const ida = { identifier: ward("600"), name: [{ family: "Mossley", given: ["Ida"] }], birthDate: "1960-06-06" };
    const { bundle } = await post(parameters(ida, { onlyCertain: true }));
    expect(matchesOf(bundle)).toEqual([]);
    expect(bundle.total).toBe(0);
    expect(issuesOf(bundle)[0]).toMatchObject({ severity: "warning", code: "multiple-matches" });
    expect(issuesOf(bundle)[0]?.diagnostics).toContain("2 records are certain matches");
    const all = await post(parameters(ida));
    expect(matchesOf(all.bundle)).toEqual([
      ["first", "certain"],
      ["second", "certain"],
    ]);
    expect(issuesOf(all.bundle)[0]?.code).toBe("multiple-matches");
  });

  test("answers nobody when the best is only probable, and says that there are others", async () => {
    const { bundle } = await post(parameters({ name: ada.name, birthDate: ada.birthDate }, { onlyCertain: true }));
    expect(matchesOf(bundle)).toEqual([]);
    expect(issuesOf(bundle)[0]?.diagnostics).toContain("No record is a certain match");
  });
});

describe("count", () => {
  test("bounds the answer, which says how many it left out", async () => {
    const { bundle } = await post(
      parameters({ name: [{ family: "Quill", given: ["Zoe"] }], birthDate: "2011-05-09" }, { count: 1 }),
    );
    expect(matchesOf(bundle)).toEqual([["twin-zoe", "probable"]]);
    expect(bundle.total).toBe(2);
    expect(issuesOf(bundle)[0]?.diagnostics).toContain("1 more possible matches are left out");
  });
});

describe("a replaced record (https://hl7.org/fhir/R4/patient.html#links)", () => {
  test("is not answered itself; the record in force is, through whatever the replaced one knew", async () => {
    const olga = { identifier: ward("700"), name: [{ family: "Fenn", given: ["Olga"] }], birthDate: "1951-01-02" };
    expect(matchesOf((await post(parameters(olga))).bundle)).toEqual([["in-force", "certain"]]);
    expect(matchesOf((await post(parameters({ identifier: ward("700") }))).bundle)).toEqual([["in-force", "probable"]]);
  });

  test("whose replacements go in a circle is left out, and the answer says so", async () => {
    const { bundle } = await post(parameters({ identifier: ward("800") }));
    expect(matchesOf(bundle)).toEqual([]);
    expect(issuesOf(bundle)[0]?.diagnostics).toContain("2 records that came into question were replaced");
  });
});

describe("what is refused", () => {
  test("a Patient with nothing to match on, as a bad request that says what is needed", async () => {
    const { status, text } = await post(parameters({ gender: "female" }));
    expect(status).toBe(400);
    expect(text).toContain("Send an identifier, a phone number, a mail address, family and given name");
  });

  test.each([
    ["no JSON", "{"],
    ["another resource", { resourceType: "Observation" }],
    ["names that are no names", { resourceType: "Patient", name: [7, null], identifier: "x" }],
    ["identifiers of null", { resourceType: "Patient", identifier: [null] }],
  ])("%s is a client's error", async (_, body) => {
    const { status, text } = await post(body);
    expect(status).toBeGreaterThanOrEqual(400);
    expect(status).toBeLessThan(500);
    expect(JSON.parse(text).resourceType).toBe("OperationOutcome");
  });

  // https://hl7.org/fhir/R4/operations.html#executing: an operation that is not idempotent-by-GET is POSTed.
  test("another method is answered with 405 and what is allowed", async () => {
    const { status, headers } = await post(undefined, here.token, "GET");
    expect([status, headers.allow]).toEqual([405, "POST"]);
  });

  test("a request without a valid token", async () => {
    expect((await post(parameters({ identifier: ward("4711") }), "nobodys")).status).toBe(401);
  });
});

describe("bounds", () => {
  test("another tenant's patients are never candidates", async () => {
    const { bundle } = await post(parameters({ identifier: ward("4711"), name: ada.name }), here.strangersToken);
    expect(bundle.total).toBe(0);
  });

  test("an identifier comes before 200 namesakes, which the answer mentions", async () => {
    const namesake = (i: number) => ({
      resourceType: "Patient",
      id: `a-${String(i).padStart(3, "0")}`,
      name: [{ family: "Commonname", given: ["Sam"] }],
    });
    await put(here, ...Array.from({ length: 201 }, (_, i) => namesake(i)), {
      ...namesake(0),
      id: "z",
      identifier: ward("900"),
      birthDate: "1970-07-07",
    } as never);
    const sam = { identifier: ward("900"), name: [{ family: "Commonname", given: ["Sam"] }], birthDate: "1970-07-07" };
    const { bundle } = await post(parameters(sam, { count: 100 }));
    expect(matchesOf(bundle)[0]).toEqual(["z", "certain"]);
    expect(bundle.total).toBe(200);
    expect(issuesOf(bundle).map(({ code }) => code)).toContain("too-costly");
  });

  test("a deleted patient is no candidate (https://hl7.org/fhir/R4/http.html#delete)", async () => {
    await put(here, { resourceType: "Patient", id: "gone", identifier: ward("990") } as never);
    expect((await post(parameters({ identifier: ward("990") }))).bundle.total).toBe(1);
    const deleted = await deleteResource(here.service, here.tenantId, { type: "Patient", id: "gone" });
    expect(deleted.ok).toBe(true);
    expect((await post(parameters({ identifier: ward("990") }))).bundle.total).toBe(0);
  });

  test("systems that are not trusted make nothing certain", async () => {
    const patient = {
      resourceType: "Patient" as const,
      identifier: ward("4711"),
      name: ada.name,
      birthDate: "1984-03-07",
    };
    const asked = { patient, onlyCertainMatches: false };
    const answer = await matchPatient(here.service, here.tenantId, asked, (system) => system === "urn:national-number");
    expect(answer.ok && answer.value.matches.map(({ id, grade }) => [id, grade])).toEqual([["ada", "probable"]]);
  });
});
