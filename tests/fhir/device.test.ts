import { validateResource } from "@medplum/core";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { deviceFacts, machineResource, partResource } from "../../src/fhir/device.ts";
import { identifierSystems } from "../../src/fhir/terminology/canonical.ts";
import { therapySystems } from "../../src/fhir/terminology/therapy.ts";

beforeAll(() => void createDefinitions({ types: "default" }));

test("a machine is found by its serial number, whether as identifier or in its own element, once", () => {
  const made = machineResource({ id: "m", serialNumber: "TG-1", serviceDueDay: "2026-09-01" });
  expect(validateResource(made)).toEqual([]);
  expect(deviceFacts(made)).toEqual([
    {
      kind: "device",
      device: {
        deviceId: "m",
        kind: "machine",
        identifiers: [`${identifierSystems.deviceSerial}|TG-1`],
        active: true,
        serviceDueDay: "2026-09-01",
      },
    },
  ]);
  const { identifier: _, ...bare } = made;
  expect(deviceFacts(bare)[0]).toMatchObject({ device: { identifiers: [`${identifierSystems.deviceSerial}|TG-1`] } });
});

test("a part has its kind and the machine it belongs to", () => {
  const made = partResource({ id: "c", kind: "circuit", machineId: "m" });
  expect(validateResource(made)).toEqual([]);
  expect(deviceFacts(made)[0]).toMatchObject({ device: { kind: "circuit", parentId: "m" } });
});

test("a device of somebody else's kind counts as a machine; one entered in error states nothing", () => {
  expect(
    deviceFacts({ resourceType: "Device", id: "x", type: { coding: [{ system: "urn:other", code: "pump" }] } })[0],
  ).toMatchObject({ device: { kind: "machine" } });
  expect(deviceFacts({ resourceType: "Device", id: "x", status: "entered-in-error" })).toEqual([]);
});

test("a program that acts here, such as this service itself, is no machine", () => {
  const type = { coding: [{ system: therapySystems.deviceKind, code: "software" }] };
  expect(deviceFacts({ resourceType: "Device", id: "service", type })).toMatchObject([
    { device: { kind: "software" } },
  ]);
});
