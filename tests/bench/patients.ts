import { defaultSerialSystem } from "../../src/flows/record-use.ts";
import type { Service } from "../../src/flows/service.ts";
import { updateResource } from "../../src/flows/write-resource.ts";

/** Patients, each with a machine handed over long ago. */
export async function registerPatients(service: Service, tenantId: number, patients: number): Promise<void> {
  for (let i = 0; i < patients; i += 1) {
    const resources = [
      { resourceType: "Patient", id: `p${i}`, name: [{ family: `Family ${i}`, given: ["Given"] }] },
      {
        resourceType: "Device",
        id: `d${i}`,
        status: "active",
        identifier: [{ system: defaultSerialSystem, value: `BENCH-${i}` }],
      },
      {
        resourceType: "DeviceUseStatement",
        id: `u${i}`,
        status: "active",
        subject: { reference: `Patient/p${i}` },
        device: { reference: `Device/d${i}` },
        timingPeriod: { start: "2020-01-01" },
      },
    ];
    for (const resource of resources) {
      const written = await updateResource(
        service,
        tenantId,
        { type: resource.resourceType, id: resource.id },
        JSON.stringify(resource),
      );
      if (!written.ok) throw new Error(JSON.stringify(written.refusals));
    }
  }
}
