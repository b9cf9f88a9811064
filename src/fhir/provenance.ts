import type { Provenance } from "@medplum/fhirtypes";
import { canonical } from "./terminology/canonical.ts";

/** That the service itself made these versions, by what deed and when. */
export function provenanceOf(targets: readonly string[], activity: string, nowIso: string): Provenance {
  return {
    resourceType: "Provenance",
    target: targets.map((reference) => ({ reference })),
    recorded: nowIso,
    activity: { coding: [{ system: canonical("CodeSystem", "service-activity"), code: activity }] },
    agent: [{ who: { type: "Device", display: "Tidegate" } }],
  };
}
