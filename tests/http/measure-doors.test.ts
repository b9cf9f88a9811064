import { afterAll, beforeAll, describe, expect, test } from "vitest";
import type { TestApp } from "../support/app.ts";
import { lowUser } from "./low-user.ts";

let here: TestApp;

beforeAll(async () => {
  here = await lowUser();
});

afterAll(() => here.close());

// https://hl7.org/fhir/R4/measure-operation-evaluate-measure.html
describe("Measure/$evaluate-measure", () => {
  const period = "subject=anna&periodStart=2026-05-27&periodEnd=2026-06-09";
  const fhir = (path: string, token = here.token) =>
    here.app.inject({ method: "GET", url: `/fhir${path}`, headers: { authorization: `Bearer ${token}` } });

  test("gives an individual report, the same bytes for the same records", async () => {
    const first = await fhir(`/Measure/sessions-completed/$evaluate-measure?${period}`);
    expect(first.statusCode).toBe(200);
    expect(first.json()).toMatchObject({
      resourceType: "MeasureReport",
      type: "individual",
      measure: "https://tidegate.example/fhir/Measure/sessions-completed",
      period: { start: "2026-05-27", end: "2026-06-09" },
      group: [{ measureScore: { value: 0.107143 } }],
    });
    here.clock.at += 60_000;
    expect((await fhir(`/Measure/sessions-completed/$evaluate-measure?${period}`)).body).toBe(first.body);
  });

  test("on the type, the measure is named as a parameter, by POST as well", async () => {
    const byName = await fhir(`/Measure/$evaluate-measure?${period}&measure=days-used`);
    expect(byName.json()).toMatchObject({ group: [{ measureScore: { value: 0.214286 } }] });
    const parameter = [
      { name: "measure", valueString: "https://tidegate.example/fhir/Measure/days-used" },
      { name: "subject", valueString: "Patient/anna" },
      { name: "periodStart", valueDate: "2026-05-27" },
      { name: "periodEnd", valueDate: "2026-06-09" },
    ];
    const posted = await here.app.inject({
      method: "POST",
      url: "/fhir/Measure/$evaluate-measure",
      headers: here.headers,
      payload: { resourceType: "Parameters", parameter },
    });
    expect(posted.body).toBe(byName.body);
  });

  test("says nothing of a score where too little is known, and why", async () => {
    const answer = await fhir(
      "/Measure/days-used/$evaluate-measure?subject=anna&periodStart=2026-01-01&periodEnd=2026-06-09",
    );
    expect(answer.json().group[0].measureScore).toEqual({
      extension: [{ url: "http://hl7.org/fhir/StructureDefinition/data-absent-reason", valueCode: "temp-unknown" }],
    });
  });

  test.each<[string, string, number]>([
    ["a measure that there is not", `/Measure/happiness/$evaluate-measure?${period}`, 404],
    ["nobody", "/Measure/dose/$evaluate-measure?subject=nobody&periodStart=2026-01-01&periodEnd=2026-01-31", 404],
    ["no period", "/Measure/dose/$evaluate-measure?subject=anna", 400],
    ["a report about many", `/Measure/dose/$evaluate-measure?${period}&reportType=subject-list`, 400],
  ])("%s is refused with an outcome", async (_what, path, status) => {
    const answer = await fhir(path);
    expect([answer.statusCode, answer.json().resourceType]).toEqual([status, "OperationOutcome"]);
  });

  test("a stranger's token finds nobody", async () => {
    expect((await fhir(`/Measure/dose/$evaluate-measure?${period}`, here.strangersToken)).statusCode).toBe(404);
  });
});
