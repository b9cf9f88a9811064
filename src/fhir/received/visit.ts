import type { Coding, Encounter } from "@medplum/fhirtypes";
import type { SettledIdentifier } from "../../domain/identifier-authority.ts";
import type { ReceivedMoment, ReceivedVisit } from "../../domain/received-person.ts";
import { identifierOf, toldBy } from "./person.ts";
import { encounterClasses, inpatientClass } from "./tables.ts";

/** What happened to a stay; the trigger events that say so stand in docs/hl7v2.md. */
export type VisitEvent = "admit" | "discharge" | "cancel-admit" | "cancel-discharge" | "update";

/** Whether a message tells of a stay in hospital: only those are kept, for they take days from what is asked of a therapy. */
export function isInpatient({ patientClass }: ReceivedVisit): boolean {
  return patientClass !== undefined && encounterClasses[patientClass]?.[1] === inpatientClass.code;
}

/**
 * The Encounter after a message (segment PV1 of the v2-to-FHIR guide). A stay that nobody said the beginning of begins with
 * the event; so it ends, where a discharge names no time.
 */
export function encounterAfter(
  before: Encounter | undefined,
  told: {
    readonly visit: ReceivedVisit;
    readonly visitNumber?: SettledIdentifier;
    readonly patientId: string;
    readonly kind: VisitEvent;
    readonly event: ReceivedMoment;
  },
): Encounter {
  const { visit, visitNumber, patientId, kind, event } = told;
  const { end: endBefore, start: startBefore } = before?.period ?? {};
  const start = visit.admittedAt ?? startBefore ?? (kind === "admit" ? event.text : undefined);
  const end = endOf(kind, visit, endBefore, event);
  const period = { ...(start === undefined ? {} : { start }), ...(end === undefined ? {} : { end }) };
  const { period: _, ...rest } = before ?? ({ resourceType: "Encounter" } as Encounter);
  return {
    ...rest,
    resourceType: "Encounter",
    // Only what moves a stay along counts for the order of its events: a discharge that comes late is not undone by an update
    // that was quicker.
    ...(kind === "update" ? {} : { extension: toldBy(before?.extension, event) }),
    ...(before?.identifier !== undefined || visitNumber === undefined
      ? {}
      : { identifier: [visitIdentifier(visitNumber)] }),
    status: statusOf(kind, before, end),
    class: classOf(visit, before),
    subject: { reference: `Patient/${patientId}` },
    ...(Object.keys(period).length === 0 ? {} : { period }),
  };
}

/** An update goes on about a stay that was cancelled (demographics that change, say): it must not take days again. */
function statusOf(kind: VisitEvent, before: Encounter | undefined, end: string | undefined): Encounter["status"] {
  if (kind === "cancel-admit" || (kind === "update" && before?.status === "cancelled")) return "cancelled";
  return end === undefined ? "in-progress" : "finished";
}

function endOf(
  kind: VisitEvent,
  visit: ReceivedVisit,
  before: string | undefined,
  event: ReceivedMoment,
): string | undefined {
  if (kind === "cancel-discharge" || visit.dischargedAt === null) return undefined;
  const told = visit.dischargedAt ?? before;
  return kind === "discharge" ? (visit.dischargedAt ?? event.text) : told;
}

function classOf({ patientClass }: ReceivedVisit, before: Encounter | undefined): Coding {
  const target = patientClass === undefined ? undefined : encounterClasses[patientClass];
  if (target === undefined) return before?.class ?? inpatientClass;
  const [system, code, display] = target;
  return { system, code, display };
}

function visitIdentifier(visitNumber: SettledIdentifier) {
  return identifierOf({ ...visitNumber, typeCode: "VN" });
}
