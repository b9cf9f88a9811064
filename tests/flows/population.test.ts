import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { band } from "../../src/domain/adherence.ts";
import { membersOf } from "../../src/domain/disclosure/table.ts";
import { bandedMeasures, figureTexts } from "../../src/domain/population/catalogue.ts";
import { wholeKey } from "../../src/domain/population/dimensions.ts";
import type { PopulationFigures } from "../../src/domain/population/figures.ts";
import { monthsOf, periodOf } from "../../src/domain/population/period.ts";
import { evaluateMeasure } from "../../src/flows/evaluate-measure.ts";
import { populationFigures } from "../../src/flows/population.ts";
import { inTenant } from "../../src/store/database.ts";
import { regionOrganizations, writeRegion } from "../support/region.ts";
import { put, type TestService, testService } from "../support/service.ts";

// A hundred invented people at seven sites of two services, with facts of the first half of 2026.
const people = 100;
let here: TestService;

beforeAll(async () => {
  here = await testService("2026-07-02T12:00:00Z");
  await put(here, ...regionOrganizations(7));
  await writeRegion(here.connectionString, {
    tenantId: here.tenantId,
    people,
    sites: 7,
    firstDay: "2026-01-01",
    endDay: "2026-07-01",
    seed: "half-year",
  });
});

afterAll(() => here.close());

function figures(code: string): Promise<PopulationFigures> {
  const period = periodOf(code);
  if (period === undefined) throw new Error(`${code} is no period`);
  return populationFigures(here.service, here.tenantId, period, () => undefined);
}

/** Persons of a figure at a place; everywhere where none is named. */
function persons(found: PopulationFigures, figure: string, place = wholeKey): number | undefined {
  const table = found.tables.find((one) => one.figure === figure && one.dimensions.length === 1);
  return table?.cells.find((cell) => cell.at.place === place)?.persons;
}

interface Reported {
  readonly organizationId: string | null;
  readonly numerator: number;
  readonly denominator: number;
  readonly ratio: number | undefined;
}

/** One measure of everybody, each from their own MeasureReport. */
async function individualReports(measure: (typeof bandedMeasures)[number], firstDay: string, endDay: string) {
  const listed = await inTenant(here.database, here.tenantId, (session) =>
    session.query<{ id: string; organization_id: string | null }>(
      "select patient_id as id, organization_id from patient where tenant_id = $1 and active",
      [here.tenantId],
    ),
  );
  const reports: Reported[] = [];
  for (const { id, organization_id } of listed) {
    const report = await evaluateMeasure(here.service, here.tenantId, { measure, patientId: id, firstDay, endDay });
    if (!report.ok) throw new Error(JSON.stringify(report.refusals));
    const [group] = report.value.group ?? [];
    const counted = (code: string) =>
      group?.population?.find((one) => one.code?.coding?.some((coding) => coding.code === code))?.count ?? 0;
    reports.push({
      organizationId: organization_id,
      numerator: counted("numerator"),
      denominator: counted("denominator"),
      ratio: group?.measureScore?.value,
    });
  }
  return reports;
}

describe.each(["2026-05", "2026-Q2"])("the measures of %s", (code) => {
  test.each(bandedMeasures)("%s adds up to everybody's own reports", async (measure) => {
    const found = await figures(code);
    const { firstDay, endDay } = found.period;
    const reports = await individualReports(measure, firstDay, endDay);
    const sum = (of: (one: Reported) => number) => reports.reduce((total, one) => total + of(one), 0);
    expect(found.sums?.[measure]).toMatchObject({
      numerator: sum((one) => one.numerator),
      denominator: sum((one) => one.denominator),
    });
    expect(sum((one) => one.denominator)).toBeGreaterThan(0);
    for (const site of [undefined, "site-1", "site-3"]) {
      const theirs = reports.filter((one) => site === undefined || one.organizationId === site);
      const place = site === undefined ? wholeKey : `Organization/${site}`;
      for (const one of ["low", "moderate", "high"] as const) {
        const inBand = theirs.filter(({ ratio }) => ratio !== undefined && band(ratio) === one);
        expect([one, persons(found, `${measure}.${one}`, place)]).toEqual([one, inBand.length]);
      }
    }
  });
});

describe("figures of periods that are made of others", () => {
  test("starts and stops of a quarter are those of its months; people on therapy are at most their sum, at least their most", async () => {
    const quarter = await figures("2026-Q2");
    const months = await Promise.all(monthsOf(quarter.period).map(({ code }) => figures(code)));
    const ofMonths = (figure: string) => months.map((month) => persons(month, figure) ?? Number.NaN);
    const sum = (numbers: readonly number[]) => numbers.reduce((a, b) => a + b, 0);
    expect(persons(quarter, "new-starts")).toBe(sum(ofMonths("new-starts")));
    expect(persons(quarter, "stops")).toBe(sum(ofMonths("stops")));
    expect([persons(quarter, "new-starts"), persons(quarter, "stops")]).not.toContain(0);
    const [onTherapy, each] = [persons(quarter, "people-on-therapy") ?? Number.NaN, ofMonths("people-on-therapy")];
    expect(onTherapy).toBeLessThanOrEqual(sum(each));
    expect(onTherapy).toBeGreaterThanOrEqual(Math.max(...each));
    // What is said of a moment is the same at the end of the quarter and of its last month.
    for (const state of ["devices-in-use", "devices-idle", "parts-overdue", "open-safety-findings"]) {
      expect([state, persons(quarter, state)]).toEqual([state, persons(months[2] as PopulationFigures, state)]);
      expect([state, persons(quarter, state)]).not.toEqual([state, 0]);
    }
    const medians = ofMonths("issue-to-first-use.median");
    expect(persons(quarter, "issue-to-first-use.median")).toBe(sum(medians));
  });

  test("of a year that is not over the figures are those so far", async () => {
    const year = await figures("2026");
    const quarters = await Promise.all([figures("2026-Q1"), figures("2026-Q2")]);
    const [first, second] = quarters.map((one) => persons(one, "new-starts") ?? Number.NaN) as [number, number];
    expect(persons(year, "new-starts")).toBe(first + second);
    expect(persons(year, "people-on-therapy")).toBeGreaterThanOrEqual(persons(quarters[1], "people-on-therapy") ?? 0);
  });
});

test("every whole is the sum of its parts, in every table of every figure", async () => {
  const found = await figures("2026-05");
  expect(new Set(found.tables.map(({ figure }) => figure))).toEqual(new Set(figureTexts.map(({ code }) => code)));
  for (const { figure, dimensions, cells } of found.tables) {
    const at = (place: string, side: string | undefined) =>
      cells.find(
        (cell) => cell.at.place === place && (side === undefined || cell.at[dimensions[1]?.name ?? ""] === side),
      )?.persons ?? Number.NaN;
    const sides = dimensions[1] === undefined ? [undefined] : membersOf(dimensions[1].whole).map(({ key }) => key);
    for (const member of membersOf((dimensions[0] ?? fail()).whole)) {
      for (const side of member.parts === undefined ? [] : sides) {
        const parts = member.parts?.map((part) => at(part.key, side)) ?? [];
        expect([figure, member.key, side, at(member.key, side)]).toEqual([
          figure,
          member.key,
          side,
          parts.reduce((sum, one) => sum + one, 0),
        ]);
      }
      const [, ...parts] = sides;
      if (parts.length === 0) continue;
      expect(at(member.key, wholeKey)).toBe(
        parts.map((part) => at(member.key, part)).reduce((sum, one) => sum + one, 0),
      );
    }
  }
});

test("the bands of a measure hold everybody on therapy, each once", async () => {
  const found = await figures("2026-05");
  for (const measure of bandedMeasures) {
    const bands = ["low", "moderate", "high", "not-known"].map(
      (one) => persons(found, `${measure}.${one}`) ?? Number.NaN,
    );
    expect([measure, bands.reduce((sum, one) => sum + one, 0)]).toEqual([measure, persons(found, "people-on-therapy")]);
  }
});

test("the median of days used is that of everybody's own ratios, in tenths of per cent", async () => {
  const found = await figures("2026-05");
  const table = found.tables.find(({ figure }) => figure === "days-used.median");
  const ratios = (await individualReports("days-used", "2026-05-01", "2026-06-01"))
    .flatMap(({ ratio }) => (ratio === undefined ? [] : Math.round(ratio * 1000)))
    .sort((a, b) => a - b);
  const middle = ((ratios[(ratios.length - 1) >> 1] ?? 0) + (ratios[ratios.length >> 1] ?? 0)) / 20;
  expect(table?.statistics?.find(({ at }) => at.place === wholeKey)).toMatchObject({
    contributors: ratios.length,
    median: middle,
  });
});

test("progress tells how many people are done, up to all of them", async () => {
  const seen: { done: number; total: number }[] = [];
  const period = periodOf("2026") ?? fail();
  await populationFigures(here.service, here.tenantId, period, (progress) => seen.push(progress));
  expect(seen.length).toBeGreaterThan(1);
  expect(seen.at(-1)?.done).toBe(seen.at(-1)?.total);
  expect(seen.map(({ done }) => done)).toEqual(seen.map(({ done }) => done).sort((a, b) => a - b));
});

test("what is written meanwhile changes nothing: all of it is one moment", async () => {
  const before = await figures("2026");
  const setActive = (active: boolean) =>
    inTenant(here.database, here.tenantId, (session) =>
      session.query("update patient set active = $2 where tenant_id = $1 and patient_id > 'p0000040'", [
        here.tenantId,
        active,
      ]),
    );
  const written: Promise<unknown>[] = [];
  const period = periodOf("2026") ?? fail();
  const during = await populationFigures(here.service, here.tenantId, period, ({ done, total }) => {
    expect(done).toBeLessThanOrEqual(total);
    if (written.length === 0) written.push(setActive(false));
  });
  await Promise.all(written);
  const after = await figures("2026");
  await setActive(true);
  expect(during).toEqual(before);
  expect(after).not.toEqual(before);
});

function fail(): never {
  throw new Error("what the test needs is missing");
}
