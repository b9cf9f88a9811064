import type { Encounter, Flag } from "@medplum/fhirtypes";
import type { Fact } from "../domain/facts.ts";
import { isSafetyFlag } from "./contraindication.ts";
import { dayRangeOf, firstDayOf } from "./day-range.ts";
import { idOf } from "./session.ts";
import { absenceKinds, therapySystems } from "./terminology/therapy.ts";

const actCode = "http://terminology.hl7.org/CodeSystem/v3-ActCode";
const inpatientClasses: ReadonlySet<string> = new Set(["IMP", "ACUTE", "NONAC"]);
const realStatuses: ReadonlySet<string> = new Set(["in-progress", "onleave", "finished"]);

/**
 * The days a hospital stay takes away: from the day of admission up to, but not including, the day of discharge,
 * whose evening is at home again. A stay that is over without saying when ended on the day that was recorded: left open
 * it would excuse every day to come.
 */
export function absenceOf(encounter: Encounter, zone: string): Fact[] {
  const patientId = idOf(encounter.subject?.reference, "Patient");
  const inpatient = encounter.class.system === actCode && inpatientClasses.has(encounter.class.code ?? "");
  const firstDay = firstDayOf(encounter.period?.start, zone);
  if (patientId === undefined || !inpatient || firstDay === undefined || !realStatuses.has(encounter.status)) return [];
  const recordedDay = encounter.status === "finished" ? firstDayOf(encounter.meta?.lastUpdated, zone) : undefined;
  const endDay = firstDayOf(encounter.period?.end, zone) ?? recordedDay;
  return [
    {
      kind: "absence",
      patientId,
      absence: {
        sourceId: encounter.id ?? "",
        kind: "hospital",
        firstDay,
        ...(endDay === undefined ? {} : { endDay }),
      },
    },
  ];
}

/** A stay in hospital, still going on without `end`. */
export function hospitalStay(stay: {
  id: string;
  patientId: string;
  start: string;
  end?: string;
}): Encounter & { id: string } {
  return {
    resourceType: "Encounter",
    id: stay.id,
    status: stay.end === undefined ? "in-progress" : "finished",
    class: { system: actCode, code: "IMP" },
    subject: { reference: `Patient/${stay.patientId}` },
    period: { start: stay.start, ...(stay.end === undefined ? {} : { end: stay.end }) },
  };
}

const flagCategory = "http://terminology.hl7.org/CodeSystem/flag-category";

/** A holiday told to the team: an administrative Flag under our own code, over its days. */
export function holidayOf(flag: Flag, zone: string): Fact[] {
  const patientId = idOf(flag.subject.reference, "Patient");
  const isHoliday = flag.code.coding?.some(
    (one) => one.system === therapySystems.absenceKind && one.code === "away-on-holiday",
  );
  if (patientId === undefined || isHoliday !== true || isSafetyFlag(flag) || flag.status === "entered-in-error")
    return [];
  const range = dayRangeOf(flag.period, zone);
  if (range === undefined) return [];
  const recordedDay = flag.status === "inactive" ? firstDayOf(flag.meta?.lastUpdated, zone) : undefined;
  const endDay = range.endDay ?? recordedDay;
  return [
    {
      kind: "absence",
      patientId,
      absence: {
        sourceId: flag.id ?? "",
        kind: "holiday",
        firstDay: range.firstDay,
        ...(endDay === undefined ? {} : { endDay }),
      },
    },
  ];
}

/** Days away without the device; `start` and `end` are dates, the last day inside. */
export function holidayFlag(holiday: {
  id: string;
  patientId: string;
  start: string;
  end: string;
}): Flag & { id: string } {
  const code = "away-on-holiday";
  return {
    resourceType: "Flag",
    id: holiday.id,
    status: "active",
    category: [{ coding: [{ system: flagCategory, code: "admin" }] }],
    code: { coding: [{ system: therapySystems.absenceKind, code, display: absenceKinds[code] ?? code }] },
    subject: { reference: `Patient/${holiday.patientId}` },
    period: { start: holiday.start, end: holiday.end },
  };
}
