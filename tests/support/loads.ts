/** People with devices, and uploads of theirs, for tests and measurements that send many from outside. */
import { identifierSystems } from "../../src/fhir/terminology/canonical.ts";

/** A transaction that registers so many people, each with a device in use. */
export function peopleBundle(count: number): unknown {
  const people = Array.from({ length: count }, (_, n) => [
    { resourceType: "Patient", id: `p${n}`, name: [{ family: `Invented-${n}` }] },
    {
      resourceType: "Device",
      id: `d${n}`,
      identifier: [{ system: identifierSystems.deviceSerial, value: `LOAD-${n}` }],
    },
    {
      resourceType: "DeviceUseStatement",
      id: `u${n}`,
      status: "active",
      subject: { reference: `Patient/p${n}` },
      device: { reference: `Device/d${n}` },
      timingPeriod: { start: "2025-12-01" },
    },
  ]);
  const entry = people
    .flat()
    .map((resource) => ({ resource, request: { method: "PUT", url: `${resource.resourceType}/${resource.id}` } }));
  return { resourceType: "Bundle", type: "transaction", entry };
}

/** The upload of this number, of one of so many people: `sessions` of them, of one day each, that are in no other. */
export function numberedUpload(number: number, people: number, sessions = 20): unknown {
  const minute = Math.floor(number / people);
  const time = `${String(6 + Math.floor(minute / 60)).padStart(2, "0")}:${String(minute % 60).padStart(2, "0")}`;
  return {
    format: "tidegate-use-record",
    version: 1,
    device: { serialNumber: `LOAD-${number % people}` },
    readAt: "2026-02-01T00:00:00Z",
    sessions: Array.from({ length: sessions }, (_, day) => {
      const date = new Date(Date.UTC(2026, 0, 1 + day)).toISOString().slice(0, 10);
      return {
        sequenceNumber: number * sessions + day,
        start: `${date}T${time}:00Z`,
        end: `${date}T${time}:30Z`,
        cyclesDelivered: 5,
      };
    }),
  };
}
