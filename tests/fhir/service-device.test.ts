import { validateResource } from "@medplum/core";
import { beforeAll, expect, test } from "vitest";
import { createDefinitions } from "../../src/fhir/definitions.ts";
import { deviceFacts } from "../../src/fhir/device.ts";
import { serviceDevice, serviceDeviceReference } from "../../src/fhir/service-device.ts";

beforeAll(() => void createDefinitions({ types: "default" }));

test("the service is a Device that is valid R4 and says in words what it is", () => {
  const device = serviceDevice();
  expect(validateResource(device)).toEqual([]);
  expect(`Device/${device.id}`).toBe(serviceDeviceReference);
  expect([device.deviceName?.[0]?.name, device.type?.coding?.[0]?.display]).toEqual(["Tidegate", "Software"]);
});

test("it is no machine, as a Device that names no kind would be", () => {
  const { type: _, ...unnamed } = serviceDevice();
  expect(deviceFacts(unnamed)).toMatchObject([{ device: { kind: "machine" } }]);
  expect(deviceFacts(serviceDevice())).toMatchObject([{ device: { kind: "software" } }]);
});
