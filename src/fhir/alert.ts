import type { Observation } from "@medplum/fhirtypes";
import { canonical, extensionUrl } from "./terminology/canonical.ts";

/** An alert as the device recorded it, on corrected time. */
export interface DeviceAlert {
  readonly id: string;
  readonly deviceId: string;
  readonly patientId: string;
  readonly uploadId: string;
  /** The device's own code. */
  readonly code: string;
  readonly text?: string;
  readonly atMs: number;
  /** The device's own, uncorrected time, as received. */
  readonly deviceTime: string;
}

/**
 * A device's alert as an Observation under our own code, its own code beside it as text: carried so that people can
 * look it up. This service is no alarm system and rates nothing.
 */
export function alertObservation(alert: DeviceAlert): Observation & { id: string } {
  return {
    resourceType: "Observation",
    id: alert.id,
    extension: [{ url: extensionUrl("device-clock-start"), valueString: alert.deviceTime }],
    status: "final",
    code: {
      coding: [{ system: canonical("CodeSystem", "observation-kind"), code: "device-alert", display: "Device alert" }],
    },
    subject: { reference: `Patient/${alert.patientId}` },
    effectiveDateTime: new Date(alert.atMs).toISOString(),
    valueCodeableConcept: { text: alert.text === undefined ? alert.code : `${alert.code}: ${alert.text}` },
    device: { reference: `Device/${alert.deviceId}` },
    derivedFrom: [{ reference: `DocumentReference/${alert.uploadId}` }],
  };
}
