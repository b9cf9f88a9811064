import { expect, test } from "vitest";
import { absenceOf } from "../../../src/fhir/absence.ts";
import { encounterAfter, isInpatient, type VisitEvent } from "../../../src/fhir/received/visit.ts";

const event = { text: "2026-06-10T10:00:00Z", ms: Date.parse("2026-06-10T10:00:00Z") };
const visit = { patientClass: "I", admittedAt: "2026-06-01T08:00:00+01:00", dischargedAt: undefined } as const;
const told = (kind: VisitEvent, more: object = {}) => ({ visit: { ...visit, ...more }, patientId: "ada", kind, event });

test("only a stay in hospital is one", () => {
  expect(isInpatient({ ...visit, patientClass: "O" })).toBe(false);
  expect(isInpatient(visit)).toBe(true);
});

test("a stay takes its days from what is asked, until it ends", () => {
  const open = { ...encounterAfter(undefined, told("admit")), id: "e" };
  expect(absenceOf(open, "Europe/London")).toMatchObject([{ absence: { firstDay: "2026-06-01" } }]);
  const over = { ...encounterAfter(open, told("discharge", { dischargedAt: "2026-06-05T11:00:00+01:00" })), id: "e" };
  expect(absenceOf(over, "Europe/London")).toMatchObject([
    { absence: { firstDay: "2026-06-01", endDay: "2026-06-05" } },
  ]);
  expect(
    absenceOf({ ...encounterAfter(over, told("cancel-discharge")), id: "e" }, "Europe/London")[0],
  ).not.toMatchObject({
    absence: { endDay: expect.anything() },
  });
  expect(absenceOf({ ...encounterAfter(over, told("cancel-admit")), id: "e" }, "Europe/London")).toEqual([]);
});

test("an admission and a discharge without times happen with their events", () => {
  const silent = { admittedAt: undefined, dischargedAt: undefined };
  expect(encounterAfter(undefined, told("admit", silent)).period).toEqual({ start: event.text });
  expect(encounterAfter(undefined, told("discharge", silent))).toMatchObject({
    status: "finished",
    period: { end: event.text },
  });
});

test("the number of a visit is its identifier, of type VN", () => {
  const visitNumber = { system: "urn:v", value: "7", trust: "claimed" } as const;
  expect(encounterAfter(undefined, { ...told("admit"), visitNumber }).identifier).toMatchObject([
    { system: "urn:v", value: "7", type: { coding: [{ code: "VN" }] } },
  ]);
});

test("an update of a stay that was cancelled leaves it cancelled: it takes no day", () => {
  const cancelled = { ...encounterAfter(encounterAfter(undefined, told("admit")), told("cancel-admit")), id: "e" };
  const updated = { ...encounterAfter(cancelled, told("update")), id: "e" };
  expect(updated.status).toBe("cancelled");
  expect(absenceOf(updated, "Europe/London")).toEqual([]);
  // Who is admitted again under the same number is in hospital.
  expect(encounterAfter(updated, told("admit")).status).toBe("in-progress");
});
