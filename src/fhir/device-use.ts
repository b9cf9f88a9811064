import type { DeviceUseStatement } from "@medplum/fhirtypes";
import type { Fact, PartReport } from "../domain/facts.ts";
import { dayRangeOf, endMsOf, firstDayOf, startMsOf } from "./day-range.ts";
import { idOf } from "./session.ts";
import { extensionUrl } from "./terminology/canonical.ts";

const awayUrl = extensionUrl("device-away");
const soiledUrl = extensionUrl("part-soiled");
const checkedUrl = extensionUrl("part-checked");

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
        ...reportOf(statement),
      },
    },
    ...awayFacts(statement, { patientId, useId, onHold }, zone),
  ];
}

/** What is reported of a part: the day it was seen soiled or damaged, and the last day it was checked. */
function reportOf(statement: DeviceUseStatement): PartReport {
  const day = (url: string) =>
    (statement.extension ?? [])
      .flatMap((one) => (one.url === url && one.valueDate !== undefined ? [one.valueDate] : []))
      .sort()
      .at(-1);
  const [soiledDay, checkedDay] = [day(soiledUrl), day(checkedUrl)];
  return { ...(soiledDay === undefined ? {} : { soiledDay }), ...(checkedDay === undefined ? {} : { checkedDay }) };
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
  /** Of a part: the day it was reported soiled or damaged, and the last day it was checked. */
  readonly soiledDay?: string;
  readonly checkedDay?: string;
}

/** A machine handed over to a person until `end`, or a part fitted until then; the Device tells which. */
export function deviceUseStatement(use: UseParts): DeviceUseStatement & { id: string } {
  const extension = [
    ...(use.soiledDay === undefined ? [] : [{ url: soiledUrl, valueDate: use.soiledDay }]),
    ...(use.checkedDay === undefined ? [] : [{ url: checkedUrl, valueDate: use.checkedDay }]),
  ];
  return {
    resourceType: "DeviceUseStatement",
    id: use.id,
    ...(extension.length === 0 ? {} : { extension }),
    status: use.end === undefined ? "active" : "completed",
    subject: { reference: `Patient/${use.patientId}` },
    timingPeriod: { start: use.start, ...(use.end === undefined ? {} : { end: use.end }) },
    device: { reference: `Device/${use.deviceId}` },
  };
}
