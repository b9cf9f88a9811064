import { describe, expect, test } from "vitest";
import { readMeasureRequest, readSummaryRequest, reportKind } from "../../src/fhir/measure-request.ts";

// Expectations from https://hl7.org/fhir/R4/measure-operation-evaluate-measure.html.
type Query = Record<string, string>;

const march: Query = { periodStart: "2026-03-01", periodEnd: "2026-03-31", subject: "anna" };

function read(query: Query, id?: string) {
  return readMeasureRequest({ query: Object.entries(query) }, id);
}

describe("the period", () => {
  test.each([
    ["2026-03-01", "2026-03-31", "2026-03-01", "2026-04-01"],
    ["2026-03", "2026-03", "2026-03-01", "2026-04-01"],
    ["2026", "2026", "2026-01-01", "2027-01-01"],
    ["2026-03-05", "2026-03-05", "2026-03-05", "2026-03-06"],
    ["2024-02", "2024-02", "2024-02-01", "2024-03-01"],
  ])("from the start of %s to the end of %s is [%s, %s)", (periodStart, periodEnd, firstDay, endDay) => {
    expect(read({ periodStart, periodEnd, subject: "anna" }, "days-used")).toEqual({
      ok: true,
      value: { measure: "days-used", patientId: "anna", firstDay, endDay },
    });
  });

  test.each([
    ["2026-03-31", "2026-03-01", "periodEnd"],
    ["2026-02-30", "2026-03-01", "periodStart"],
    ["2026-03-01T10:00:00Z", "2026-03-31", "periodStart"],
    ["1812-03-01", "1812-03-31", "periodStart"],
    ["2020-01-01", "2026-01-01", "periodEnd"],
  ])("from %s to %s is refused with 400 at %s%s", (periodStart, periodEnd, at) => {
    const answer = read({ periodStart, periodEnd, subject: "anna" }, "days-used");
    expect(answer).toMatchObject({
      ok: false,
      refusals: expect.arrayContaining([expect.objectContaining({ at, status: 400 })]),
    });
  });

  test("is required", () => {
    expect(read({ subject: "anna" }, "days-used")).toMatchObject({
      ok: false,
      refusals: [{ status: 400 }, { status: 400 }],
    });
  });
});

describe("the measure", () => {
  test.each([
    [{ measure: "dose" }, undefined],
    [{ measure: "https://tidegate.example/fhir/Measure/dose" }, undefined],
    [{ measure: "https://tidegate.example/fhir/Measure/dose|1" }, undefined],
    [{}, "dose"],
    [{ measure: "https://tidegate.example/fhir/Measure/dose" }, "dose"],
  ])("is named by id, by canonical address, or by the address asked: %o %s", (named: Query, id) => {
    expect(read({ ...march, ...named }, id)).toMatchObject({ ok: true, value: { measure: "dose" } });
  });

  test("that is not one of ours is not found, and the refusal lists those that are", () => {
    expect(read(march, "happiness")).toMatchObject({
      ok: false,
      refusals: [{ kind: "not-found", status: 404, detail: expect.stringContaining("all-facets") }],
    });
  });

  test("must be named, and not twice with two names", () => {
    expect(read(march)).toMatchObject({ ok: false, refusals: [{ at: "measure", kind: "required" }] });
    expect(read({ ...march, measure: "dose" }, "days-used")).toMatchObject({
      ok: false,
      refusals: [{ at: "measure" }],
    });
  });
});

describe("the subject", () => {
  test.each(["anna", "Patient/anna"])("may be written %s", (subject) => {
    expect(read({ ...march, subject }, "dose")).toMatchObject({ ok: true, value: { patientId: "anna" } });
  });

  test.each([undefined, "Group/all", "anna bell", ""])("%s is refused: a report is about one patient", (subject) => {
    const { subject: _, ...rest } = march;
    const answer = read(subject === undefined ? rest : { ...rest, subject }, "dose");
    expect(answer).toMatchObject({ ok: false, refusals: [{ status: 400 }] });
  });
});

test.each([
  ["reportType", "subject-list"],
  ["practitioner", "Practitioner/1"],
  ["lastReceivedOn", "2026-01-01"],
])("%s=%s is refused as not supported", (name, value) => {
  expect(read({ ...march, [name]: value }, "dose")).toMatchObject({
    ok: false,
    refusals: [{ kind: "not-supported", at: name, status: 400 }],
  });
});

describe("of whom a report is", () => {
  // R4's operation says population (https://hl7.org/fhir/R4/measure-operation-evaluate-measure.html), MeasureReport.type summary.
  test.each([
    [{ reportType: "summary" }, "summary"],
    [{ reportType: "population" }, "summary"],
    [{ reportType: "subject" }, "subject"],
    [{ reportType: "subject-list" }, "subject"],
    [{ subject: "anna" }, "subject"],
    [{ reportType: "summary", subject: "anna" }, "summary"],
    [{}, undefined],
  ])("%j: %s", (query: Query, expected) => {
    expect(reportKind({ query: Object.entries(query) })).toBe(expected);
    const parameter = Object.entries(query).map(([name, value]) => ({ name, valueString: value }));
    const value = { resourceType: "Parameters", parameter };
    expect(reportKind({ query: [], body: { value, exact: value } })).toBe(expected);
  });

  test.each([null, 7, [], { parameter: null }, { parameter: [null, 3, {}] }])("a body of %j names neither", (value) => {
    expect(reportKind({ query: [], body: { value, exact: value } })).toBeUndefined();
  });
});

describe("a summary", () => {
  const { subject: _, ...everybody } = march;
  const summary = (query: Query) => readSummaryRequest({ query: Object.entries(query) }, "days-used");

  test("is of the days of its period", () => {
    expect(summary({ ...everybody, reportType: "summary" })).toEqual({
      ok: true,
      value: { measure: "days-used", firstDay: "2026-03-01", endDay: "2026-04-01" },
    });
  });

  test.each([
    ["subject", "anna"],
    ["practitioner", "Practitioner/1"],
    ["lastReceivedOn", "2026-01-01"],
    ["periodEnd", "2026-02"],
  ])("with %s=%s is refused there", (at, value) => {
    expect(summary({ ...everybody, [at]: value })).toMatchObject({ ok: false, refusals: [{ at, status: 400 }] });
  });
});
