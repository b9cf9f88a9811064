import { canonical } from "../terminology/canonical.ts";
import { contraindicationSystem } from "../terminology/contraindications.ts";
import { therapySystems } from "../terminology/therapy.ts";
import type { Profile } from "./profile.ts";

/** What each resource of the trade must hold beyond R4, so that the computations can read it. */
export const ownProfiles: readonly Profile[] = [
  {
    name: "session-observation",
    title: "Session Observation",
    type: "Observation",
    description: "One recorded session of assisted cough: when, with which device, and what was measured.",
    constraints: [
      { path: "identifier", min: 1, short: "The session's identity, and the digest of the record it came from" },
      {
        path: "code",
        pattern: { system: canonical("CodeSystem", "observation-kind"), code: "assisted-cough-session" },
      },
      { path: "subject", min: 1 },
      { path: "effective[x]", min: 1, short: "From start to stop, on corrected time" },
      { path: "device", min: 1 },
    ],
  },
  {
    name: "session-use",
    title: "Session Device Use",
    type: "DeviceUseStatement",
    description: "That a device was used for one session; its measures stand in the Observation it is derived from.",
    constraints: [
      { path: "derivedFrom", min: 1, short: "The session Observation" },
      { path: "timing[x]", min: 1 },
    ],
  },
  {
    name: "settings-request",
    title: "Settings Profile",
    type: "DeviceRequest",
    description: "One prescribed set of pressures and timings of assisted cough. Exsufflation pressure is negative.",
    constraints: [
      { path: "status", min: 1 },
      { path: "code[x]", pattern: { system: therapySystems.therapy, code: "assisted-cough" } },
    ],
  },
  {
    name: "therapy-plan",
    title: "Therapy Plan",
    type: "CarePlan",
    description:
      "The plan in force over its period; its activities are settings profiles. Versions of one person never overlap.",
    constraints: [
      { path: "period", min: 1 },
      { path: "activity", min: 1 },
    ],
  },
  {
    name: "contraindication-flag",
    title: "Contraindication Flag",
    type: "Flag",
    description: "A contraindication or caution of the catalogue. The end of its period stays empty while it warns.",
    constraints: [
      { path: "category", min: 1 },
      { path: "code", pattern: { system: contraindicationSystem } },
      { path: "period", min: 1 },
    ],
  },
  {
    name: "finding-task",
    title: "Finding Task",
    type: "Task",
    description:
      "Something that a person should look at: what was found, since when, on what numbers, what would clear it.",
    constraints: [
      { path: "identifier", min: 1, short: "Rule, person, subject and episode: the key that keeps it single" },
      { path: "code", min: 1, pattern: { system: therapySystems.findingRule } },
      { path: "description", min: 1 },
      { path: "authoredOn", min: 1 },
      { path: "restriction", min: 1, short: "period.end is the day by which somebody should have looked" },
    ],
  },
  {
    name: "part-device",
    title: "Part That Wears",
    type: "Device",
    description:
      "A circuit, filter, mask or other part of a machine; when it was fitted stands in a DeviceUseStatement.",
    constraints: [
      { path: "type", min: 1, pattern: { system: therapySystems.deviceKind } },
      { path: "parent", min: 1, short: "The machine" },
    ],
  },
];
