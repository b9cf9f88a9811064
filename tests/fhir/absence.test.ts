import { validateResource } from "@medplum/core";
import type { Encounter } from "@medplum/fhirtypes";
import { beforeAll, expect, test } from "vitest";
import { absenceOf, chestInfectionCondition, hospitalStay } from "../../src/fhir/absence.ts";
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

test("a chest infection is a valid Condition, active until it abates", () => {
  const condition = chestInfectionCondition({ id: "c", patientId: "p", onset: "2026-02-01" });
  expect(validateResource(condition)).toEqual([]);
  expect(condition.clinicalStatus?.coding?.[0]?.code).toBe("active");
  expect(
    chestInfectionCondition({ id: "c", patientId: "p", onset: "2026-02-01", abatement: "2026-02-10" }).clinicalStatus
      ?.coding?.[0]?.code,
  ).toBe("resolved");
});
