import type { Observation } from "@medplum/fhirtypes";
import type { RecordedAlert } from "../domain/alert.ts";
import type { Fact } from "../domain/facts.ts";
import { localDayOf } from "../domain/local-day.ts";
import { emptyStatuses, idOf, instantOf } from "./session.ts";
import { canonical, extensionUrl } from "./terminology/canonical.ts";

/** An alert as the device recorded it, on corrected time, with what the Observation shows beside the fact. */
export interface DeviceAlert extends Omit<RecordedAlert, "observationId"> {
  readonly id: string;
  readonly uploadId: string;
  readonly text?: string;
  /** The device's own, uncorrected time, as received. */
  readonly deviceTime: string;
}

const alertSystem = canonical("CodeSystem", "observation-kind");
const alertCode = "device-alert";

const urls = {
  deviceStart: extensionUrl("device-clock-start"),
  localDay: extensionUrl("local-day"),
  deviceCode: extensionUrl("device-alert-code"),
} as const;

/**
 * A device's alert as an Observation under our own code, its own code beside it as text: carried so that people can
 * look it up. This service is no alarm system and rates nothing.
 */
export function alertObservation(alert: DeviceAlert): Observation & { id: string } {
  return {
    resourceType: "Observation",
    id: alert.id,
    extension: [
      { url: urls.deviceStart, valueString: alert.deviceTime },
      { url: urls.localDay, valueDate: alert.localDay },
      { url: urls.deviceCode, valueString: alert.code },
    ],
    status: "final",
    code: { coding: [{ system: alertSystem, code: alertCode, display: "Device alert" }] },
    subject: { reference: `Patient/${alert.patientId}` },
    effectiveDateTime: new Date(alert.atMs).toISOString(),
    valueCodeableConcept: { text: alert.text === undefined ? alert.code : `${alert.code}: ${alert.text}` },
    device: { reference: `Device/${alert.deviceId}` },
    derivedFrom: [{ reference: `DocumentReference/${alert.uploadId}` }],
  };
}

/**
 * The alert that an Observation states; empty when it states none, was cancelled or only registered, is entered in
 * error, or lacks its person, its device, its time of day or anything that tells one alert from another.
 * One that another system made under our code gives its text as the code, its day settled in the zone given.
 */
export function alertFact(observation: Observation, zone: string): Fact[] {
  const isAlert = observation.code.coding?.some((one) => one.system === alertSystem && one.code === alertCode);
  if (isAlert !== true || emptyStatuses.has(observation.status)) return [];
  const atMs = instantOf(
    observation.effectiveDateTime ?? observation.effectiveInstant ?? observation.effectivePeriod?.start,
  );
  const patientId = idOf(observation.subject?.reference, "Patient");
  const deviceId = idOf(observation.device?.reference, "Device");
  const code = codeOf(observation);
  if (Number.isNaN(atMs) || patientId === undefined || deviceId === undefined || code === undefined) return [];
  const localDay = observation.extension?.find((one) => one.url === urls.localDay)?.valueDate;
  return [
    {
      kind: "alert",
      alert: {
        observationId: observation.id ?? "",
        patientId,
        deviceId,
        code,
        atMs,
        localDay: localDay ?? localDayOf(atMs, zone),
      },
    },
  ];
}

function codeOf(observation: Observation): string | undefined {
  const own = observation.extension?.find((one) => one.url === urls.deviceCode)?.valueString;
  const concept = observation.valueCodeableConcept;
  return (
    own ?? concept?.text ?? concept?.coding?.find((one) => one.code !== undefined)?.code ?? observation.valueString
  );
}
