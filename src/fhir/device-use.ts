import type { DeviceUseStatement } from "@medplum/fhirtypes";
import type { Fact } from "../domain/facts.ts";
import { dayRangeOf, endMsOf, firstDayOf, startMsOf } from "./day-range.ts";
import { idOf } from "./session.ts";
import { extensionUrl } from "./terminology/canonical.ts";

const awayUrl = extensionUrl("device-away");

/** Statuses under which a device was really with the person. */
const realStatuses: ReadonlySet<string> = new Set(["active", "completed", "stopped", "on-hold"]);

/**
 * Who has a machine, or to whom a part is fitted, when. A session's own statement gives nothing here: the session
 * stands in its Observation. On hold means that the device is away (repair, lost) for the days of our extension, or
 * from the day the record says so.
 */
export function deviceUseFacts(statement: DeviceUseStatement, zone: string): Fact[] {
  const ofSession = statement.derivedFrom?.some((one) => idOf(one.reference, "Observation") !== undefined) === true;
  const deviceId = idOf(statement.device?.reference, "Device");
  const patientId = idOf(statement.subject?.reference, "Patient");
  if (ofSession || deviceId === undefined || patientId === undefined || !realStatuses.has(statement.status)) return [];
  const startMs = startMsOf(statement.timingPeriod?.start ?? statement.timingDateTime, zone);
  if (startMs === undefined) return [];
  const ended = statement.status === "completed" || statement.status === "stopped";
  const endMs =
    endMsOf(statement.timingPeriod?.end, zone) ?? (ended ? startMsOf(statement.meta?.lastUpdated, zone) : undefined);
  const onHold = statement.status === "on-hold";
  const useId = statement.id ?? "";
  return [
    {
      kind: "device-use",
      use: {
        useId,
        deviceId,
        patientId,
        startMs,
        ...(endMs === undefined ? {} : { endMs }),
        ...(onHold ? { onHold } : {}),
      },
    },
    ...awayFacts(statement, { patientId, useId, onHold }, zone),
  ];
}

function awayFacts(
  statement: DeviceUseStatement,
  use: { patientId: string; useId: string; onHold: boolean },
  zone: string,
): Fact[] {
  const stated = dayRangeOf(statement.extension?.find((one) => one.url === awayUrl)?.valuePeriod, zone);
  const since = use.onHold ? firstDayOf(statement.meta?.lastUpdated, zone) : undefined;
  const range = stated ?? (since === undefined ? undefined : { firstDay: since });
  if (range === undefined) return [];
  return [
    { kind: "absence", patientId: use.patientId, absence: { sourceId: use.useId, kind: "device-away", ...range } },
  ];
}

/** What the statement builders take. */
interface UseParts {
  readonly id: string;
  readonly deviceId: string;
  readonly patientId: string;
  /** FHIR dateTime. */
  readonly start: string;
  readonly end?: string;
}

/** A machine handed over to a person until `end`, or a part fitted until then; the Device tells which. */
export function deviceUseStatement(use: UseParts): DeviceUseStatement & { id: string } {
  return {
    resourceType: "DeviceUseStatement",
    id: use.id,
    status: use.end === undefined ? "active" : "completed",
    subject: { reference: `Patient/${use.patientId}` },
    timingPeriod: { start: use.start, ...(use.end === undefined ? {} : { end: use.end }) },
    device: { reference: `Device/${use.deviceId}` },
  };
}
