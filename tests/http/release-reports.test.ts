import type { Bundle, MeasureReport } from "@medplum/fhirtypes";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { patientResource } from "../../src/fhir/patient.ts";
import { makeRelease } from "../../src/flows/make-release.ts";
import { type TestApp, testApp } from "../support/app.ts";
import { tokenFor } from "../support/client.ts";
import { madeUpWorks } from "../support/made-up-figures.ts";
import { put } from "../support/service.ts";

const releases = "https://tidegate.example/fhir/sid/release";

let here: TestApp;
let commissioner: string;
let administrator: string;

const individual = {
  resourceType: "MeasureReport",
  id: "of-anna",
  status: "complete",
  type: "individual",
  measure: "https://tidegate.example/fhir/Measure/days-used",
  subject: { reference: "Patient/anna" },
  period: { start: "2026-05-01", end: "2026-05-31" },
} as const;

beforeAll(async () => {
  here = await testApp("2026-06-10T12:00:00Z");
  await put(here, patientResource({ id: "anna", family: "Oak", given: "Anna" }), individual);
  commissioner = await tokenFor(here, "commissioner");
  administrator = await tokenFor(here, "administrator");
});

afterAll(() => here.close());

function send(token: string, method: "GET" | "POST" | "PUT" | "DELETE", url: string, body?: object) {
  const type = url.startsWith("/fhir") ? "application/fhir+json" : "application/json";
  return here.app.inject({
    method,
    url,
    headers: { authorization: `Bearer ${token}`, ...(body === undefined ? {} : { "content-type": type }) },
    ...(body === undefined ? {} : { payload: JSON.stringify(body) }),
  });
}

async function found(token: string, query = ""): Promise<MeasureReport[]> {
  const answer = await send(token, "GET", `/fhir/MeasureReport?${query}`);
  expect(answer.statusCode, answer.body).toBe(200);
  return ((answer.json() as Bundle).entry ?? []).map((one) => one.resource as MeasureReport);
}

test("before anything is released a commissioner finds no report, and never one of a person", async () => {
  expect(await found(commissioner)).toEqual([]);
  expect(await found(here.token)).toHaveLength(1);
  for (const way of ["", "/_history", "/_history/1"]) {
    expect((await send(commissioner, "GET", `/fhir/MeasureReport/of-anna${way}`)).statusCode).toBe(404);
  }
  expect(await found(commissioner, "subject=Patient/anna")).toEqual([]);
  expect(await found(commissioner, "_include=MeasureReport:subject")).toEqual([]);
});

describe("a release that is signed off", () => {
  let reports: MeasureReport[];

  beforeAll(async () => {
    const asked = await send(administrator, "POST", "/api/v1/releases", {
      period: "2026-05",
      policy: "hes",
      name: "Ada",
    });
    expect(asked.statusCode).toBe(202);
    const works = await madeUpWorks(() => ({ north: 120, south: 60, west: 80 }));
    await makeRelease(here.service, works, here.tenantId, 1);
    expect(await found(commissioner)).toEqual([]);
    const signed = await send(administrator, "POST", "/api/v1/releases/1/sign-off", { name: "Bea" });
    expect(signed.statusCode, signed.body).toBe(200);
    reports = await found(commissioner);
  });

  test("is found as MeasureReports of the type summary, and as nothing else", () => {
    expect(reports.length).toBeGreaterThan(0);
    for (const report of reports) {
      expect(report).toMatchObject({ type: "summary", identifier: [{ system: releases, value: "1" }] });
      expect(report.subject).toBeUndefined();
    }
  });

  test("says there what $evaluate-measure says", async () => {
    const [report] = reports;
    const code = report?.measure.split("/").at(-1);
    const url = `/fhir/Measure/${code}/$evaluate-measure?reportType=summary&periodStart=2026-05&periodEnd=2026-05`;
    const { id: _, meta: __, ...stored } = report as MeasureReport;
    expect((await send(commissioner, "GET", url)).json()).toEqual(stored);
  });

  test("is searched by measure and period", async () => {
    const [report] = reports;
    expect(await found(commissioner, `measure=${report?.measure}&period=2026-05`)).toHaveLength(1);
    expect(await found(commissioner, "period=2026-04")).toEqual([]);
  });

  test("cannot be changed, taken away or added to by anybody", async () => {
    const [report] = reports;
    const change = await send(here.token, "PUT", `/fhir/MeasureReport/${report?.id}`, { ...report, status: "error" });
    const plain = { ...individual, id: report?.id };
    const replace = await send(here.token, "PUT", `/fhir/MeasureReport/${report?.id}`, plain);
    const take = await send(here.token, "DELETE", `/fhir/MeasureReport/${report?.id}`);
    const forged = { ...individual, id: "forged", identifier: [{ system: releases, value: "1" }] };
    const add = await send(here.token, "PUT", "/fhir/MeasureReport/forged", forged);
    for (const answer of [change, replace, take, add]) {
      expect(answer.statusCode).toBe(422);
      expect(answer.json()).toMatchObject({ issue: [{ expression: ["MeasureReport.identifier"] }] });
    }
    expect(await found(commissioner)).toEqual(reports);
  });

  test("is gone from the reports when it is withdrawn", async () => {
    const withdrawn = await send(administrator, "POST", "/api/v1/releases/1/withdraw", {
      name: "Ada",
      reason: "Wrong plan.",
    });
    expect(withdrawn.statusCode, withdrawn.body).toBe(200);
    expect(await found(commissioner)).toEqual([]);
    expect(await found(here.token)).toHaveLength(1);
  });
});

test("$validate tells a commissioner nothing of who is here", async () => {
  const answers = ["anna", "nobody"].map(async (id) => {
    const body = { ...individual, id: "new", subject: { reference: `Patient/${id}` } };
    const answer = await send(commissioner, "POST", "/fhir/MeasureReport/$validate", body);
    return [answer.statusCode, answer.body.replaceAll(id, "nobody")];
  });
  const [here, nobody] = await Promise.all(answers);
  expect(here).toEqual(nobody);
});

test("nobody is registered for the reports of people as a commissioner", async () => {
  await expect(tokenFor(here, "commissioner", "system/MeasureReport.rs")).rejects.toThrow("at most");
  await expect(tokenFor(here, "commissioner", "system/MeasureReport.rs?identifier=other|")).rejects.toThrow("at most");
});
