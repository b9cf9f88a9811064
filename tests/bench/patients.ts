import { defaultSerialSystem } from "../../src/flows/record-use.ts";
import type { Service } from "../../src/flows/service.ts";
import { transact } from "../../src/flows/transact.ts";

const perBundle = 100;
const options = {
  baseUrl: "https://bench.example/fhir",
  prefer: "minimal",
  handling: "strict",
  cursorAt: () => "",
} as const;

/** Patients, each with a machine handed over long ago. */
export async function registerPatients(service: Service, tenantId: number, patients: number): Promise<void> {
  for (let from = 0; from < patients; from += perBundle) {
    const numbers = Array.from({ length: Math.min(perBundle, patients - from) }, (_, i) => from + i);
    const entry = numbers.flatMap(resourcesOf).map((resource) => ({
      resource,
      request: { method: "PUT", url: `${resource.resourceType}/${resource.id}` },
    }));
    const bundle = { resourceType: "Bundle", type: "transaction", entry };
    const written = await transact(service, tenantId, { value: bundle, exact: bundle }, options);
    if (!written.ok) throw new Error(JSON.stringify(written.refusals));
  }
}

function resourcesOf(i: number) {
  return [
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
}
