import type { Condition } from "@medplum/fhirtypes";
import type { Fact } from "../domain/facts.ts";
import { laterDay } from "../domain/local-day.ts";
import { dayRangeOf, firstDayOf } from "./day-range.ts";
import { idOf } from "./session.ts";
import { lowerRespiratoryInfection } from "./terminology/codes.ts";
import { therapySystems } from "./terminology/therapy.ts";

const clinicalSystem = "http://terminology.hl7.org/CodeSystem/condition-clinical";
const verificationSystem = "http://terminology.hl7.org/CodeSystem/condition-ver-status";

/** Clinical statuses of a condition that is over (https://hl7.org/fhir/R4/valueset-condition-clinical.html). */
const overStatuses: ReadonlySet<string> = new Set(["inactive", "remission", "resolved"]);

/** Verification statuses of a condition that nobody has (https://hl7.org/fhir/R4/valueset-condition-ver-status.html). */
const untrueStatuses: ReadonlySet<string> = new Set(["refuted", "entered-in-error"]);

/**
 * The chest infection that a Condition states, by our own code or an outside concept that means the same. Its days run
 * from the onset (else from the day it was recorded) to the abatement: a date is its last day, a time leaves its day to
 * what comes next. One that is over without saying when ended on the day that was recorded.
 */
export function infectionFact(condition: Condition, zone: string): Fact[] {
  const patientId = idOf(condition.subject.reference, "Patient");
  if (patientId === undefined || !isChestInfection(condition) || statusIn(condition, "verificationStatus")) return [];
  const recorded = condition.meta?.lastUpdated;
  const start =
    condition.onsetDateTime ?? condition.onsetPeriod?.start ?? condition.recordedDate ?? condition.meta?.lastUpdated;
  const end = condition.abatementDateTime ?? condition.abatementPeriod?.end ?? condition.abatementPeriod?.start;
  const range = dayRangeOf({ ...(start !== undefined && { start }), ...(end !== undefined && { end }) }, zone);
  if (range === undefined) return [];
  const overDay = statusIn(condition, "clinicalStatus") ? firstDayOf(recorded, zone) : undefined;
  // Recorded as over before it is said to have begun: it lasted no day.
  const endDay = range.endDay ?? (overDay === undefined ? undefined : laterDay(overDay, range.firstDay));
  return [
    {
      kind: "infection",
      patientId,
      infection: {
        conditionId: condition.id ?? "",
        firstDay: range.firstDay,
        ...(endDay === undefined ? {} : { endDay }),
      },
    },
  ];
}

function isChestInfection({ code }: Condition): boolean {
  return (code?.coding ?? []).some(
    (one) =>
      (one.system === therapySystems.conditionKind && one.code === "chest-infection") ||
      (one.system === lowerRespiratoryInfection.system && one.code === lowerRespiratoryInfection.code),
  );
}

function statusIn(condition: Condition, element: "clinicalStatus" | "verificationStatus"): boolean {
  const [system, statuses] =
    element === "clinicalStatus" ? [clinicalSystem, overStatuses] : [verificationSystem, untrueStatuses];
  return (condition[element]?.coding ?? []).some(
    (one) => one.system === system && one.code !== undefined && statuses.has(one.code),
  );
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
    clinicalStatus: { coding: [{ system: clinicalSystem, code: clinical }] },
    verificationStatus: { coding: [{ system: verificationSystem, code: "confirmed" }] },
    code: {
      coding: [{ system: therapySystems.conditionKind, code: "chest-infection", display: "Chest infection" }],
      text: "Chest infection",
    },
    subject: { reference: `Patient/${condition.patientId}` },
    onsetDateTime: condition.onset,
    ...(condition.abatement === undefined ? {} : { abatementDateTime: condition.abatement }),
  };
}
