import type { Device } from "@medplum/fhirtypes";
import { identifierSystems } from "./terminology/canonical.ts";
import { deviceKinds, therapySystems } from "./terminology/therapy.ts";

/** Whom a Provenance of the service's own work names as having done it. */
export const serviceDeviceReference = "Device/tidegate-service";

/** This service itself as a Device, to be stored with every tenant so that the reference leads somewhere. */
export function serviceDevice(): Device & { id: string } {
  return {
    resourceType: "Device",
    id: serviceDeviceReference.slice("Device/".length),
    identifier: [{ system: identifierSystems.service, value: "tidegate" }],
    status: "active",
    deviceName: [{ name: "Tidegate", type: "user-friendly-name" }],
    type: {
      coding: [{ system: therapySystems.deviceKind, code: "software", display: deviceKinds.software ?? "Software" }],
    },
    note: [{ text: "The service that keeps these records: the author of what it does by itself. No patient has it." }],
  };
}
