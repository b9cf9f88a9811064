import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { hospitalStay } from "../../src/fhir/absence.ts";
import { contraindicationFlag } from "../../src/fhir/contraindication.ts";
import { machineResource, partResource } from "../../src/fhir/device.ts";
import { deviceUseStatement } from "../../src/fhir/device-use.ts";
import { patientResource } from "../../src/fhir/patient.ts";
import { planResources } from "../../src/fhir/plan-resources.ts";
import { deleteResource } from "../../src/flows/delete-resource.ts";
import { lookAtPatient } from "../../src/flows/look-at-patient.ts";
import { recordUse } from "../../src/flows/record-use.ts";
import { reviewPatient } from "../../src/flows/review-patient.ts";
import { setThresholds } from "../../src/flows/thresholds.ts";
import { inTenant } from "../../src/store/database.ts";
import { put, type TestService, testService } from "../support/service.ts";

let here: TestService;

/** Times at which something became known, all in 2026 and UTC; the person lives in London. */
const known = {
  plan: "2026-01-01T09:00:00Z",
  firstUpload: "2026-03-01T21:00:00Z",
  flag: "2026-03-05T10:00:00Z",
  stricter: "2026-03-08T10:00:00Z",
  secondUpload: "2026-03-10T21:00:00Z",
  planChanged: "2026-03-12T10:00:00Z",
  stayDeleted: "2026-03-14T10:00:00Z",
} as const;
const now = "2026-03-20T12:00:00Z";

function at(iso: string): void {
  here.clock.at = Date.parse(iso);
}

function plan(timesPerDay: number) {
  const { plan: resource, requests } = planResources({
    id: "plan-anna",
    patientId: "anna",
    status: "active",
    start: "2026-01-01",
    profiles: [{ profileId: "profile-anna", role: "usual", schedule: { kind: "count", timesPerDay } }],
  });
  return [...requests, resource];
}

/** Two sessions a day, from one day up to and including the evening before the reading. */
async function upload(fromDay: string, readAt: string): Promise<void> {
  const days: string[] = [];
  for (let day = Temporal.PlainDate.from(fromDay); day.toString() < readAt.slice(0, 10); day = day.add({ days: 1 })) {
    days.push(day.toString());
  }
  const body = {
    format: "tidegate-use-record",
    version: 1,
    device: { serialNumber: "s-anna" },
    readAt,
    deviceClockAtReading: readAt,
    coverage: [{ start: `${fromDay}T00:00:00Z`, end: readAt }],
    alerts: [{ code: "E-1", at: `${days.at(-1)}T12:00:00Z` }],
    sessions: days.flatMap((day) =>
      ["08:00", "19:00"].map((time) => ({ start: `${day}T${time}:00Z`, end: `${day}T${time.slice(0, 2)}:10:00Z` })),
    ),
  };
  const bytes = Buffer.from(JSON.stringify(body));
  const arrived = { bytes, contentType: "application/json", contentEncoding: "identity" };
  const report = await recordUse(here.service, here.tenantId, arrived, { maxBytes: 1_000_000 });
  if (!report.ok || report.value.refused.length > 0) throw new Error(JSON.stringify(report));
}

beforeAll(async () => {
  here = await testService(known.plan);
  await put(
    here,
    patientResource({ id: "anna", family: "Amber", given: "Anna", birthDate: "1980-02-03" }),
    machineResource({ id: "m-anna", serialNumber: "s-anna", serviceDueDay: "2026-12-01" }),
    deviceUseStatement({ id: "mu-anna", deviceId: "m-anna", patientId: "anna", start: "2026-01-01" }),
    partResource({ id: "c-anna", kind: "circuit", machineId: "m-anna" }),
    deviceUseStatement({ id: "cu-anna", deviceId: "c-anna", patientId: "anna", start: "2026-02-20" }),
    ...plan(2),
  );
  at(known.firstUpload);
  await upload("2026-02-01", known.firstUpload);
  at(known.flag);
  await put(here, contraindicationFlag({ id: "f-anna", patientId: "anna", code: "pneumothorax", start: known.flag }));
  await put(here, hospitalStay({ id: "e-anna", patientId: "anna", start: "2026-03-04T09:00:00Z" }));
  await reviewPatient(here.service, here.tenantId, "anna");
  at(known.stricter);
  const settings = { longSittingMinutes: { value: 20, source: "Local policy" } };
  await setThresholds(here.service, here.tenantId, undefined, { settings, note: "Stricter from today" });
  at(known.secondUpload);
  await upload("2026-02-28", known.secondUpload);
  at(known.planChanged);
  await put(here, { ...(plan(2).at(-1) as { id: string; resourceType: string }), status: "on-hold" } as never);
  at(known.stayDeleted);
  const deleted = await deleteResource(here.service, here.tenantId, { type: "Encounter", id: "e-anna" });
  if (!deleted.ok) throw new Error(JSON.stringify(deleted.refusals));
  at(now);
  await reviewPatient(here.service, here.tenantId, "anna");
});

afterAll(() => here.close());

async function look(asOf?: string) {
  const found = await lookAtPatient(here.service, here.tenantId, "anna", asOf);
  if (!found.ok) throw new Error(JSON.stringify(found.refusals));
  return found.value.picture;
}

/** A minute after something became known. */
const minuteAfter = (iso: string) => new Date(Date.parse(iso) + 60_000).toISOString();
/** A minute before. */
const minuteBefore = (iso: string) => new Date(Date.parse(iso) - 60_000).toISOString();

test("as of this moment, the picture made from versions is the one made from the tables of facts", async () => {
  expect(await look(now)).toEqual(await look());
});

describe("what was not known yet is not in the picture", () => {
  test("sessions, coverage, alerts and clock readings of an upload", async () => {
    const early = await look(minuteBefore(known.firstUpload));
    expect([early.sessions.length, early.coverage.length, early.alerts.length, early.clockChecks.length]).toEqual([
      0, 0, 0, 0,
    ]);
    expect(early.lastSessionStartMs).toBeUndefined();
    const first = await look(minuteAfter(known.firstUpload));
    expect(first.sessions.at(-1)?.localDay).toBe("2026-02-28");
    expect(first.lastSessionStartMs).toBe(Date.parse("2026-02-28T19:00:00Z"));
    const second = await look(minuteAfter(known.secondUpload));
    expect(second.sessions.at(-1)?.localDay).toBe("2026-03-09");
    expect(second.clockChecks.map((check) => check.readMs)).toEqual([Date.parse(known.secondUpload)]);
  });

  test("a flag", async () => {
    expect((await look(minuteBefore(known.flag))).contraindications).toEqual([]);
    expect((await look(minuteAfter(known.flag))).contraindications).toMatchObject([{ flagId: "f-anna", active: true }]);
  });

  test("and what has been deleted since is in it until then", async () => {
    expect((await look(minuteBefore(known.flag))).absences).toEqual([]);
    expect((await look(minuteBefore(known.stayDeleted))).absences).toMatchObject([{ sourceId: "e-anna" }]);
    expect((await look(minuteAfter(known.stayDeleted))).absences).toEqual([]);
  });

  test("a hold on the plan", async () => {
    expect((await look(minuteBefore(known.planChanged))).plans).toMatchObject([{ status: "active" }]);
    expect((await look(minuteAfter(known.planChanged))).plans).toMatchObject([{ status: "on-hold" }]);
  });

  test("a stricter threshold", async () => {
    expect((await look(minuteBefore(known.stricter))).thresholds.longSittingMinutes).toBe(30);
    const later = await look(minuteAfter(known.stricter));
    expect([later.thresholds.longSittingMinutes, later.thresholds.version]).toEqual([
      20,
      `${here.service.thresholds.version}/tenant-1`,
    ]);
  });

  test("the Tasks as they stood", async () => {
    const open = (tasks: readonly { rule: string; status: string }[]) =>
      tasks.filter((task) => task.status === "requested").map((task) => task.rule);
    expect((await look(minuteBefore(known.flag))).tasks).toEqual([]);
    expect(open((await look(minuteAfter(known.flag))).tasks)).toContain("plan-needs-hold");
    expect(open((await look()).tasks)).not.toContain("plan-needs-hold");
  });
});

test("a day is looked at as it ended, in the person's zone", async () => {
  const picture = await look("2026-03-05");
  expect([picture.today, new Date(picture.nowMs).toISOString()]).toEqual(["2026-03-05", "2026-03-05T23:59:59.999Z"]);
  expect(picture.contraindications).toHaveLength(1);
  expect((await look("2026-03-04")).contraindications).toEqual([]);
});

test("it writes nothing", async () => {
  const state = () =>
    inTenant(here.database, here.tenantId, (session) =>
      session.query(
        "select (select sum(version)::int from resource where tenant_id = $1), (select count(*)::int from finding_task where tenant_id = $1)",
        [here.tenantId],
      ),
    );
  const untouched = await state();
  await look("2026-03-05");
  expect(await state()).toEqual(untouched);
});

test("a day before the person was on record, a day ahead and what is no day are refused, each with its reason", async () => {
  const refusal = async (asOf: string, patientId = "anna") => {
    const answer = await lookAtPatient(here.service, here.tenantId, patientId, asOf);
    return answer.ok ? undefined : [answer.refusals[0]?.at, answer.refusals[0]?.status];
  };
  expect(await refusal("2025-12-24")).toEqual(["asOf", 404]);
  expect(await refusal("2026-03-20")).toEqual(["asOf", 400]);
  expect(await refusal("2026-02-30")).toEqual(["asOf", 400]);
  expect(await refusal("yesterday")).toEqual(["asOf", 400]);
  expect(await refusal("2026-03-05", "nobody")).toEqual([undefined, 404]);
});
