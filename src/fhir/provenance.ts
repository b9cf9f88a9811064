import type { Provenance } from "@medplum/fhirtypes";
import { serviceDeviceReference } from "./service-device.ts";
import { serviceActivities, therapySystems } from "./terminology/therapy.ts";

/** That the service itself made these versions, by what deed (a code of `service-activity`) and when. */
export function provenanceOf(targets: readonly string[], activity: string, nowIso: string): Provenance {
  const display = serviceActivities[activity];
  const coding = {
    system: therapySystems.serviceActivity,
    code: activity,
    ...(display === undefined ? {} : { display }),
  };
  return {
    resourceType: "Provenance",
    target: targets.map((reference) => ({ reference })),
    recorded: nowIso,
    activity: { coding: [coding] },
    agent: [{ who: { reference: serviceDeviceReference, type: "Device", display: "Tidegate" } }],
  };
}
