import { validateResource } from "@medplum/core";
import type { Encounter, Flag } from "@medplum/fhirtypes";
import { beforeAll, describe, expect, test } from "vitest";
import { absenceOf, holidayFlag, holidayOf, hospitalStay } from "../../src/fhir/absence.ts";
import { createDefinitions } from "../../src/fhir/definitions.ts";

beforeAll(() => void createDefinitions({ types: "default" }));

const stay = hospitalStay({ id: "e", patientId: "p", start: "2026-02-10T14:00:00Z", end: "2026-02-13T11:00:00Z" });

test("a stay takes the day of admission and leaves the day of discharge", () => {
  expect(validateResource(stay)).toEqual([]);
  expect(absenceOf(stay, "Europe/London")).toEqual([
    {
      kind: "absence",
      patientId: "p",
      absence: { sourceId: "e", kind: "hospital", firstDay: "2026-02-10", endDay: "2026-02-13" },
    },
  ]);
});

test("a stay that goes on has no end", () => {
  const [open] = absenceOf(hospitalStay({ id: "e", patientId: "p", start: "2026-02-10" }), "Europe/London");
  expect(open).toMatchObject({ absence: { firstDay: "2026-02-10" } });
  expect(open?.kind === "absence" && open.absence.endDay).toBeUndefined();
});

test("a stay that is over without saying when ended on the day that was recorded", () => {
  const { end: _, ...period } = stay.period ?? {};
  const meta = { lastUpdated: "2026-02-14T09:00:00Z" };
  const endDayOf = (encounter: Encounter) => {
    const [fact] = absenceOf(encounter, "Europe/London");
    return fact?.kind === "absence" ? fact.absence.endDay : "no absence";
  };
  expect(endDayOf({ ...stay, period, meta })).toBe("2026-02-14");
  expect(endDayOf({ ...stay, period, meta, status: "in-progress" })).toBeUndefined();
});

test.each<[string, Partial<Encounter>]>([
  ["an outpatient visit", { class: { system: "http://terminology.hl7.org/CodeSystem/v3-ActCode", code: "AMB" } }],
  ["a planned stay", { status: "planned" }],
  ["a cancelled stay", { status: "cancelled" }],
  ["a stay of nobody", { subject: { display: "unknown" } }],
])("%s takes no day", (_what, changes) => {
  expect(absenceOf({ ...stay, ...changes }, "Europe/London")).toEqual([]);
});

test("a stay that begins and ends on one day takes none, for its evening is at home", () => {
  const day = hospitalStay({ id: "e", patientId: "p", start: "2026-02-10T08:00:00Z", end: "2026-02-10T17:00:00Z" });
  const [fact] = absenceOf(day, "Europe/London");
  expect(fact).toMatchObject({ absence: { firstDay: "2026-02-10", endDay: "2026-02-10" } });
});

describe("a holiday told to the team", () => {
  const holiday = holidayFlag({ id: "h", patientId: "p", start: "2026-02-10", end: "2026-02-17" });

  test("is a valid Flag, and takes its days with the last day inside", () => {
    expect(validateResource(holiday)).toEqual([]);
    expect(holidayOf(holiday, "Europe/London")).toEqual([
      {
        kind: "absence",
        patientId: "p",
        absence: { sourceId: "h", kind: "holiday", firstDay: "2026-02-10", endDay: "2026-02-18" },
      },
    ]);
  });

  test("that is over without saying when ended on the day that was recorded", () => {
    const meta = { lastUpdated: "2026-02-14T09:00:00Z" };
    const [fact] = holidayOf(
      { ...holiday, status: "inactive", period: { start: "2026-02-10" }, meta },
      "Europe/London",
    );
    expect(fact).toMatchObject({ absence: { firstDay: "2026-02-10", endDay: "2026-02-14" } });
  });

  test.each<[string, Partial<Flag>]>([
    ["entered in error", { status: "entered-in-error" }],
    ["without a start", { period: { end: "2026-02-17" } }],
    ["under another code", { code: { text: "On holiday" } }],
    [
      "as a danger",
      {
        category: [{ coding: [{ system: "http://terminology.hl7.org/CodeSystem/flag-category", code: "safety" }] }],
      },
    ],
  ])("%s takes no day", (_what, changes) => {
    expect(holidayOf({ ...holiday, ...changes }, "Europe/London")).toEqual([]);
  });
});
