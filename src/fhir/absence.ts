import type { Condition, Encounter } from "@medplum/fhirtypes";
import type { Fact } from "../domain/facts.ts";
import { firstDayOf } from "./day-range.ts";
import { idOf } from "./session.ts";

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

/** A chest infection with its onset, and its end when it is over. */
export function chestInfectionCondition(condition: {
  id: string;
  patientId: string;
  onset: string;
  abatement?: string;
}): Condition & { id: string } {
  const clinical = condition.abatement === undefined ? "active" : "resolved";
  return {
    resourceType: "Condition",
    id: condition.id,
    clinicalStatus: {
      coding: [{ system: "http://terminology.hl7.org/CodeSystem/condition-clinical", code: clinical }],
    },
    code: { text: "Chest infection" },
    subject: { reference: `Patient/${condition.patientId}` },
    onsetDateTime: condition.onset,
    ...(condition.abatement === undefined ? {} : { abatementDateTime: condition.abatement }),
  };
}
