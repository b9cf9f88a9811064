import { createHash } from "node:crypto";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { makeRelease, type ReleaseWorks } from "../../src/flows/make-release.ts";
import { personWithCircuit, usedEveryDay } from "../flows/person-with-circuit.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { tokenFor } from "../support/client.ts";
import { madeUpWorks } from "../support/made-up-figures.ts";

let here: TestApp;
let works: ReleaseWorks;
let asker: string;
let signer: string;
let commissioner: string;
/** Numbers of a published release, of a draft, and of one that was withdrawn. */
let made: { released: number; draft: number; withdrawn: number };

beforeAll(async () => {
  here = await testApp("2026-08-10T12:00:00Z");
  await personWithCircuit(here, "anna", "2026-03-01");
  await usedEveryDay(here, "anna");
  works = await madeUpWorks(() => ({ north: 40, south: 22, west: 3 }));
  asker = await tokenFor(here, "administrator");
  signer = await tokenFor(here, "administrator");
  commissioner = await tokenFor(here, "commissioner");
  const released = await draft("2026-05");
  expect((await signOff(released)).statusCode).toBe(200);
  const withdrawn = await draft("2026-04");
  await signOff(withdrawn);
  await post(`/releases/${withdrawn}/withdraw`, { name: "Ben Holt", reason: "West was counted twice." });
  made = { released, withdrawn, draft: await draft("2026-06") };
});

afterAll(() => here.close());

function get(url: string, token = commissioner, headers: Record<string, string> = {}) {
  return here.app.inject({ url, headers: { authorization: `Bearer ${token}`, ...headers } });
}
const api = (path: string, token?: string, headers?: Record<string, string>) => get(`/api/v1${path}`, token, headers);
function post(path: string, payload: object, token = signer) {
  const headers = { authorization: `Bearer ${token}`, "content-type": "application/json" };
  return here.app.inject({ method: "POST", url: `/api/v1${path}`, headers, payload: JSON.stringify(payload) });
}
const request = (period: string, over: object = {}, token = asker) =>
  post("/releases", { period, policy: "hes", name: "Ada Vale", ...over }, token);
const signOff = (number: number, name = "Ben Holt", token = signer) =>
  post(`/releases/${number}/sign-off`, { name }, token);
async function draft(period: string): Promise<number> {
  const answer = await request(period);
  expect([answer.statusCode, answer.json().state], answer.body).toEqual([202, "computing"]);
  const { number } = answer.json() as { number: number };
  expect(answer.headers.location).toBe(`/api/v1/releases/${number}`);
  await makeRelease(here.service, works, here.tenantId, number);
  return number;
}
const detail = (answer: { json(): unknown }) =>
  (answer.json() as { issue: { details: { text: string }; expression?: string[] }[] }).issue
    .map(({ details }) => details.text)
    .join(" ");

describe("a commissioner", () => {
  test("lists what was released and nothing else", async () => {
    const { releases } = (await api("/releases")).json() as { releases: { number: number; state: string }[] };
    expect(releases.map(({ number, state }) => [number, state])).toEqual([[made.released, "released"]]);
    expect(JSON.stringify(releases)).not.toMatch(/asked|audit|progress/);
  });

  test.each(["", ".csv", "/page"])("meets a draft like a number that there is not: 404 (%s)", async (form) => {
    const drafted = await api(`/releases/${made.draft}${form}`);
    const nobodys = await api(`/releases/999${form}`);
    expect([drafted.statusCode, nobodys.statusCode]).toEqual([404, 404]);
    expect(drafted.body.replaceAll(`release ${made.draft} `, "release N ")).toBe(
      nobodys.body.replaceAll("release 999 ", "release N "),
    );
  });

  test.each(["", ".csv", "/page"])("is told of a withdrawn one that it is gone, and why (%s)", async (form) => {
    const answer = await api(`/releases/${made.withdrawn}${form}`);
    expect(answer.statusCode).toBe(410);
    expect(detail(answer)).toContain("West was counted twice.");
  });

  test.each([
    ["/releases", { period: "2026-07", policy: "hes", name: "Cai Moor" }],
    ["/releases/1/sign-off", { name: "Cai Moor" }],
    ["/releases/1/withdraw", { name: "Cai Moor", reason: "x" }],
  ])("may not POST %s: 403", async (path, body) => {
    const answer = await post(path, body, commissioner);
    expect(answer.statusCode).toBe(403);
    expect(detail(answer)).toContain("tidegate/releases.");
  });

  // RFC 9110, 8.8.3 and 13.1.2.
  test("gets the same bytes for ever, whose hash is the tag", async () => {
    const [one, other] = [await api(`/releases/${made.released}`), await api(`/releases/${made.released}`)];
    expect(other.rawPayload.equals(one.rawPayload)).toBe(true);
    expect(one.headers.etag).toBe(`"${createHash("sha256").update(one.rawPayload).digest("hex")}"`);
    for (const form of ["", ".csv", "/page"]) {
      const { etag = "" } = (await api(`/releases/${made.released}${form}`)).headers;
      const again = await api(`/releases/${made.released}${form}`, commissioner, { "if-none-match": String(etag) });
      expect([again.statusCode, again.body]).toEqual([304, ""]);
    }
  });
});

describe("no way leads a commissioner to what is hidden", () => {
  test.each([
    "/releases?period=2026-05",
    "/releases?from=2026-05-01&to=2026-05-14",
    "/releases?place=west",
    "/releases?count=0",
    "/releases?before=-1",
    "/releases/1?place=west",
    "/releases/1.5",
    "/releases/1e9999",
    "/releases/1'--",
  ])("there are no filters: %s", async (path) => {
    const answer = await api(path);
    if (answer.statusCode === 200) expect(answer.body).toBe((await api(`/releases/${made.released}`)).body);
    else expect([400, 404]).toContain(answer.statusCode);
  });

  test("no form holds the figure of West, of which there are 3, nor why it is hidden", async () => {
    for (const form of ["", ".csv", "/page"]) {
      const { body } = await api(`/releases/${made.released}${form}`);
      expect(body).not.toMatch(/publication|roles|primary|secondary suppress|"why"|dominance/);
    }
    const { tables } = (await api(`/releases/${made.released}`)).json() as {
      tables: { rows: { at: { place: string } }[] }[];
    };
    const west = tables.flatMap(({ rows }) => rows.filter(({ at }) => at.place === "west"));
    // Hidden count, percentage and median alike.
    expect(west).toEqual([
      { at: { place: "west" }, count: null },
      { at: { place: "west" }, count: null, percent: null },
      { at: { place: "west" }, count: null, median: null },
    ]);
  });

  test.each([
    "/fhir/Patient/anna",
    "/fhir/Patient?_id=anna",
    "/fhir/Patient?_has:Observation:subject:status=final",
    "/fhir/Observation?subject:Patient.birthdate=lt2000",
    "/fhir/Measure/days-used/$evaluate-measure?subject=anna&periodStart=2026-05&periodEnd=2026-05",
    "/fhir/Measure/days-used/$evaluate-measure?reportType=subject&periodStart=2026-05&periodEnd=2026-05",
    "/fhir/Patient/anna/$everything",
    "/fhir/Patient/anna/_history",
    "/fhir/_history",
    "/fhir/Group/one",
    "/fhir/Group?member=Patient/anna",
    "/fhir/?_type=Measure,Patient",
    "/api/v1/caseload",
    "/api/v1/patients/anna/days",
    "/api/v1/parts/forecast",
  ])("%s is refused with 403", async (url) => {
    expect((await get(url)).statusCode).toBe(403);
  });

  test.each([
    "/fhir/Measure?_has:MeasureReport:measure:subject=Patient/anna",
    "/fhir/Measure?_revinclude=MeasureReport:measure",
    "/fhir/Measure?_include=*&_revinclude=*",
    "/fhir/Measure/days-used/_history",
  ])("%s shows nothing of a person", async (url) => {
    const answer = await get(url);
    expect(answer.statusCode).toBeLessThan(500);
    // The link to itself repeats what was asked.
    const { entry = [] } = answer.json() as { entry?: object[] };
    expect(JSON.stringify(entry)).not.toMatch(/Patient\/|anna/);
  });
});

describe("a summary by $evaluate-measure", () => {
  const summary = (query: string, token = commissioner) =>
    get(`/fhir/Measure/days-used/$evaluate-measure?${query}`, token);
  const may = "periodStart=2026-05&periodEnd=2026-05";

  test.each([`${may}&reportType=summary`, `${may}&reportType=population`, may])(
    "%s is made of the release",
    async (query) => {
      const answer = await summary(query);
      expect(answer.statusCode, answer.body).toBe(200);
      const { type, period, group } = answer.json();
      expect([type, period]).toEqual(["summary", { start: "2026-05-01", end: "2026-05-31" }]);
      const west = group[0].stratifier[0].stratum.find((one: { value: { text: string } }) => one.value.text === "West");
      expect(west.population[0]).toEqual({
        code: { coding: [{ system: "http://terminology.hl7.org/CodeSystem/measure-population", code: "numerator" }] },
        _count: {
          extension: [{ url: "http://hl7.org/fhir/StructureDefinition/data-absent-reason", valueCode: "masked" }],
        },
      });
      expect((await summary(query)).body).toBe(answer.body);
    },
  );

  test.each([
    [
      "other days than the grid's",
      "periodStart=2026-05-01&periodEnd=2026-05-30&reportType=summary",
      400,
      "calendar months, quarters and years",
    ],
    ["two months", "periodStart=2026-05&periodEnd=2026-06&reportType=summary", 400, "calendar months"],
    ["one person", `${may}&reportType=summary&subject=anna`, 400, "leave subject out"],
    [
      "a quarter never released",
      "periodStart=2026-04-01&periodEnd=2026-06-30&reportType=summary",
      404,
      "Nothing was released",
    ],
    [
      "a month that is a draft",
      "periodStart=2026-06&periodEnd=2026-06&reportType=summary",
      404,
      "Nothing was released",
    ],
    [
      "a month that was withdrawn",
      "periodStart=2026-04&periodEnd=2026-04&reportType=summary",
      404,
      "Nothing was released",
    ],
  ])("of %s is refused: %s", async (_, query, status, words) => {
    const answer = await summary(query);
    expect(answer.statusCode, answer.body).toBe(status);
    expect(detail(answer)).toContain(words);
  });

  test("is refused to a dashboard, which has no scope for releases", async () => {
    expect((await summary(`${may}&reportType=summary`, await tokenFor(here, "dashboard"))).statusCode).toBe(403);
  });
});

describe("who makes releases", () => {
  test("is told what is wrong with what is asked, and what to do", async () => {
    for (const [period, status, words] of [
      ["2026-W20", 400, "Ask for a month, a quarter or a year"],
      ["2026-08", 422, "is not over"],
    ] as const) {
      const answer = await request(period);
      expect([answer.statusCode, detail(answer)]).toEqual([status, expect.stringContaining(words)]);
    }
    for (const over of [{ policy: "none" }, { name: " " }, { place: "west" }, { name: "a\u0000b" }]) {
      expect((await request("2026-07", over)).statusCode, JSON.stringify(over)).toBe(400);
    }
  });

  test("gets the release that stands when the same is asked again", async () => {
    const answer = await request("2026-05");
    expect([answer.statusCode, answer.json().number, answer.json().state]).toEqual([200, made.released, "released"]);
  });

  test("sees drafts, their audit and what was withdrawn, and no true count", async () => {
    const { releases } = (await api("/releases", asker)).json() as { releases: { state: string }[] };
    expect(releases.map(({ state }) => state)).toEqual(["drafted", "withdrawn", "released"]);
    expect((await api(`/releases/${made.draft}`, asker)).json()).toMatchObject({ number: made.draft });
    expect((await api(`/releases/${made.draft}.csv`, asker)).body).toContain("DRAFT, not signed off");
    expect((await api(`/releases/${made.draft}/page`, asker)).body).toContain("Draft, not signed off");
    expect(JSON.stringify(releases)).not.toContain("publication");
  });

  test("signs neither what the same person asked for nor with the same client while another may", async () => {
    const [samePerson, sameClient] = [
      await signOff(made.draft, "Ada  Vale"),
      await signOff(made.draft, "Ben Holt", asker),
    ];
    expect([samePerson.statusCode, detail(samePerson)]).toEqual([422, expect.stringContaining("second person")]);
    expect([sameClient.statusCode, detail(sameClient)]).toEqual([
      422,
      expect.stringContaining("sign it off with that one"),
    ]);
  });

  test("leaves a mark in the trail for each step", async () => {
    await here.trail.flush();
    const { entry } = (await get("/fhir/AuditEvent?_count=200", asker)).json() as { entry: { resource: object }[] };
    const trail = JSON.stringify(entry);
    for (const route of ["/api/v1/releases/:number/sign-off", "/api/v1/releases/:number/withdraw", "/api/v1/releases"])
      expect(trail).toContain(route);
  });
});
