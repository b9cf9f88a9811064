import type { Observation } from "@medplum/fhirtypes";
import { afterAll, beforeAll, expect, test } from "vitest";
import { rebuild } from "../../src/flows/rebuild.ts";
import { setThresholds } from "../../src/flows/thresholds.ts";
import { inTenant } from "../../src/store/database.ts";
import { halfUser, uploadSessions } from "../support/half-user.ts";
import { put, type TestService, testService } from "../support/service.ts";

const hourMs = 3_600_000;
let here: TestService;

beforeAll(async () => {
  // Summer time in London: a session at 03:30 by UTC began at 04:30 by the clock on the wall.
  here = await testService("2026-06-10T12:00:00Z");
});

afterAll(() => here.close());

async function setDayParts(dayParts: readonly { code: string; from: string; to: string }[]): Promise<void> {
  const settings = { dayParts: { value: dayParts, source: "Hours of the ward" } };
  const set = await setThresholds(here.service, here.tenantId, undefined, { settings, note: "New hours" });
  if (!set.ok) throw new Error(JSON.stringify(set.refusals));
}

/** `local day, day part` of each session of a person, in the order of their starts. */
async function settled(patientId: string): Promise<string[]> {
  const rows = await inTenant(here.database, here.tenantId, (session) =>
    session.query<{ local_day: string; day_part: string | null }>(
      "select local_day, day_part from therapy_session where tenant_id = $1 and patient_id = $2 order by started_at",
      [here.tenantId, patientId],
    ),
  );
  return rows.map((row) => `${row.local_day} ${row.day_part}`);
}

/** A session that another system wrote: it does not say which day it counts to. */
function foreignSession(id: string, patientId: string, start: string): Observation & { id: string } {
  return {
    resourceType: "Observation",
    id,
    status: "final",
    code: {
      coding: [{ system: "https://tidegate.example/fhir/CodeSystem/observation-kind", code: "assisted-cough-session" }],
    },
    subject: { reference: `Patient/${patientId}` },
    device: { reference: `Device/m-${patientId}` },
    effectivePeriod: { start, end: new Date(Date.parse(start) + 600_000).toISOString() },
  };
}

test("sessions are settled by the day parts in force when they arrive, and keep them through a rebuild", async () => {
  await halfUser(here, "ward");
  await put(here, foreignSession("foreign-1", "ward", "2026-06-10T03:30:00Z"));
  await uploadSessions(here, "ward", ["2026-06-10T04:00:00Z"]);
  expect((await settled("ward")).slice(-2)).toEqual(["2026-06-10 morning", "2026-06-10 morning"]);

  here.clock.at += hourMs;
  await setDayParts([
    { code: "morning", from: "06:00", to: "12:00" },
    { code: "evening", from: "16:00", to: "06:00" },
  ]);
  here.clock.at += hourMs;
  await put(here, foreignSession("foreign-2", "ward", "2026-06-10T04:30:00Z"));
  await uploadSessions(here, "ward", ["2026-06-10T04:50:00Z"]);
  const now = [
    "2026-06-10 morning",
    "2026-06-10 morning",
    // 05:30 and 05:50 by the clock, which the evening before now reaches.
    "2026-06-09 evening",
    "2026-06-09 evening",
  ];
  expect((await settled("ward")).slice(-4)).toEqual(now);

  const all = await settled("ward");
  await rebuild(here.service, { onProgress: () => undefined });
  expect(await settled("ward")).toEqual(all);
});

test("a change of a session that says its day leaves it where it was", async () => {
  await halfUser(here, "kept");
  const before = await settled("kept");
  const [row] = await inTenant(here.database, here.tenantId, (session) =>
    session.query<{ body: string }>(
      "select body from resource where tenant_id = $1 and type = 'Observation' and patient_id = 'kept' limit 1",
      [here.tenantId],
    ),
  );
  await setDayParts([{ code: "night", from: "00:00", to: "23:59" }]);
  await put(here, { ...JSON.parse(row?.body ?? ""), note: [{ text: "Looked at" }] });
  expect(await settled("kept")).toEqual(before);
  expect(new Set(before.map((one) => one.split(" ")[1]))).toEqual(new Set(["morning"]));
});
