import type { Device } from "@medplum/fhirtypes";
import type { Fact } from "../domain/facts.ts";
import { idOf } from "./session.ts";
import { extensionUrl, identifierSystems } from "./terminology/canonical.ts";
import { deviceKinds, therapySystems } from "./terminology/therapy.ts";

const serviceDueUrl = extensionUrl("service-due");

/** What computations need of a Device. Its serial number counts as an identifier of our own serial system too. */
export function deviceFacts(device: Device): Fact[] {
  if (device.status === "entered-in-error") return [];
  const kind = device.type?.coding?.find((one) => one.system === therapySystems.deviceKind)?.code ?? "machine";
  const stated = (device.identifier ?? []).flatMap((one) =>
    one.value === undefined ? [] : [`${one.system ?? ""}|${one.value}`],
  );
  const serial = device.serialNumber === undefined ? [] : [`${identifierSystems.deviceSerial}|${device.serialNumber}`];
  const parentId = idOf(device.parent?.reference, "Device");
  const serviceDueDay = device.extension?.find((one) => one.url === serviceDueUrl)?.valueDate;
  return [
    {
      kind: "device",
      device: {
        deviceId: device.id ?? "",
        kind,
        identifiers: [...new Set([...stated, ...serial])],
        active: device.status !== "inactive",
        ...(parentId === undefined ? {} : { parentId }),
        ...(serviceDueDay === undefined ? {} : { serviceDueDay }),
      },
    },
  ];
}

function kindCoding(kind: string) {
  return { coding: [{ system: therapySystems.deviceKind, code: kind, display: deviceKinds[kind] ?? kind }] };
}

/** A machine with its serial number. */
export function machineResource(machine: {
  id: string;
  serialNumber: string;
  organizationId?: string;
  serviceDueDay?: string;
}): Device & { id: string } {
  return {
    resourceType: "Device",
    id: machine.id,
    ...(machine.serviceDueDay === undefined
      ? {}
      : { extension: [{ url: serviceDueUrl, valueDate: machine.serviceDueDay }] }),
    identifier: [{ system: identifierSystems.deviceSerial, value: machine.serialNumber }],
    status: "active",
    serialNumber: machine.serialNumber,
    type: kindCoding("machine"),
    ...(machine.organizationId === undefined ? {} : { owner: { reference: `Organization/${machine.organizationId}` } }),
  };
}

/** A part that wears, of the machine it belongs to. */
export function partResource(part: { id: string; kind: string; machineId: string }): Device & { id: string } {
  return {
    resourceType: "Device",
    id: part.id,
    status: "active",
    type: kindCoding(part.kind),
    parent: { reference: `Device/${part.machineId}` },
  };
}
