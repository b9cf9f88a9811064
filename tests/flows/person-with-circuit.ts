/** A person with a machine, a plan and a circuit, as the tests of reviews put them through the same doors as a client. */
import type { Task } from "@medplum/fhirtypes";
import { partResource } from "../../src/fhir/device.ts";
import { deviceUseStatement } from "../../src/fhir/device-use.ts";
import { screeningResponse } from "../../src/fhir/screening.ts";
import { recordUse } from "../../src/flows/record-use.ts";
import { updateResource } from "../../src/flows/write-resource.ts";
import { inTenant } from "../../src/store/database.ts";
import { personWithMachine } from "../support/half-user.ts";
import { put, type TestService } from "../support/service.ts";

const dayMs = 86_400_000;

/** A person with a machine and a plan of mornings and evenings since January, whose circuit was fitted on `fitted`. */
export async function personWithCircuit(here: TestService, id: string, fitted = "2026-06-01"): Promise<void> {
  await personWithMachine(here, id);
  await put(
    here,
    partResource({ id: `c-${id}`, kind: "circuit", machineId: `m-${id}` }),
    deviceUseStatement({ id: `cu-${id}`, deviceId: `c-${id}`, patientId: id, start: fitted }),
    screeningResponse({ id: `screening-${id}`, patientId: id, authored: "2026-01-01T09:00:00Z", found: [] }),
  );
}

/** The last 28 days, read now, with a session at each of the times given, on the days of `isUsed` (0 is the first). */
export function useRecord(
  here: TestService,
  id: string,
  sessionsADay: readonly string[],
  isUsed: (day: number) => boolean = () => true,
): object {
  const today = Math.floor(here.clock.at / dayMs) * dayMs;
  const days = Array.from({ length: 28 }, (_, i) => new Date(today - (28 - i) * dayMs).toISOString().slice(0, 10));
  const now = new Date(here.clock.at).toISOString();
  return {
    format: "tidegate-use-record",
    version: 1,
    device: { serialNumber: `s-${id}` },
    readAt: now,
    coverage: [{ start: `${days[0]}T00:00:00Z`, end: now }],
    sessions: days
      .filter((_, index) => isUsed(index))
      .flatMap((day) =>
        sessionsADay.map((time) => ({ start: `${day}T${time}:00Z`, end: `${day}T${time.slice(0, 2)}:10:00Z` })),
      ),
  };
}

/** Uploads one record and expects all of it to be taken. */
export async function upload(here: TestService, record: object): Promise<void> {
  const arrived = {
    bytes: Buffer.from(JSON.stringify(record)),
    contentType: "application/json",
    contentEncoding: "identity",
  };
  const report = await recordUse(here.service, here.tenantId, arrived, { maxBytes: 1_000_000 });
  if (!report.ok || report.value.refused.length > 0) throw new Error(JSON.stringify(report));
}

/** Everything read up to now, with a session every morning and evening of the last days. */
export async function usedEveryDay(
  here: TestService,
  id: string,
  sessionsADay: readonly string[] = ["08:00", "19:00"],
): Promise<void> {
  await upload(here, useRecord(here, id, sessionsADay));
}

/** The Tasks of a patient as they are stored now, in the order they were raised. */
export async function tasksOf(here: TestService, id: string): Promise<(Task & { id: string })[]> {
  const rows = await inTenant(here.database, here.tenantId, (session) =>
    session.query<{ body: string }>(
      "select body from resource where tenant_id = $1 and type = 'Task' and patient_id = $2 order by body::jsonb ->> 'authoredOn', id",
      [here.tenantId, id],
    ),
  );
  return rows.map((row) => JSON.parse(row.body));
}

/** What a clinician's client does to a Task: it puts the whole, changed. */
export async function changeTask(
  here: TestService,
  task: (Task & { id: string }) | undefined,
  changes: Partial<Task>,
): Promise<void> {
  if (task === undefined) throw new Error("no such Task");
  const target = { type: "Task", id: task.id };
  const written = await updateResource(here.service, here.tenantId, target, JSON.stringify({ ...task, ...changes }));
  if (!written.ok) throw new Error(JSON.stringify(written.refusals));
}
