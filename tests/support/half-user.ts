import { machineResource } from "../../src/fhir/device.ts";
import { deviceUseStatement } from "../../src/fhir/device-use.ts";
import { patientResource } from "../../src/fhir/patient.ts";
import { planResources } from "../../src/fhir/plan-resources.ts";
import { recordUse } from "../../src/flows/record-use.ts";
import { put, type TestService } from "./service.ts";

const dayMs = 86_400_000;

type Place = Pick<TestService, "service" | "tenantId" | "clock">;

/** A person with a machine `m-<id>` and a plan `plan-<id>` that asks for mornings and evenings since January. */
export async function personWithMachine(here: Place, id: string): Promise<void> {
  const { plan, requests } = planResources({
    id: `plan-${id}`,
    patientId: id,
    status: "active",
    start: "2026-01-01",
    profiles: [
      { profileId: `profile-${id}`, role: "usual", schedule: { kind: "day-parts", parts: ["morning", "evening"] } },
    ],
  });
  await put(
    here,
    patientResource({ id, family: id, given: "Given" }),
    machineResource({ id: `m-${id}`, serialNumber: `s-${id}` }),
    deviceUseStatement({ id: `mu-${id}`, deviceId: `m-${id}`, patientId: id, start: "2026-01-01" }),
    ...requests,
    plan,
  );
}

/** The same, who kept the mornings of the last 28 days and no evening: half of what was asked. */
export async function halfUser(here: Place, id: string): Promise<void> {
  await personWithMachine(here, id);
  const today = Math.floor(here.clock.at / dayMs) * dayMs;
  const days = Array.from({ length: 28 }, (_, i) => new Date(today - (28 - i) * dayMs).toISOString().slice(0, 10));
  await uploadSessions(
    here,
    id,
    days.map((day) => `${day}T08:00:00Z`),
  );
}

/** Sends sessions of ten minutes of that person's machine, which was read now and vouches for all since the first of them. */
export async function uploadSessions(here: Place, id: string, starts: readonly string[]): Promise<void> {
  const now = new Date(here.clock.at).toISOString();
  const body = {
    format: "tidegate-use-record",
    version: 1,
    device: { serialNumber: `s-${id}` },
    readAt: now,
    coverage: [{ start: `${starts[0]?.slice(0, 10)}T00:00:00Z`, end: now }],
    sessions: starts.map((start) => ({ start, end: new Date(Date.parse(start) + 600_000).toISOString() })),
  };
  const arrived = {
    bytes: Buffer.from(JSON.stringify(body)),
    contentType: "application/json",
    contentEncoding: "identity",
  };
  const report = await recordUse(here.service, here.tenantId, arrived, { maxBytes: 1_000_000 });
  if (!report.ok || report.value.refused.length > 0) throw new Error(JSON.stringify(report));
}
