import { afterAll, beforeAll, expect, test } from "vitest";
import { clockDrift } from "../../src/domain/rules/clock-drift.ts";
import { deviceAlerts } from "../../src/domain/rules/device-alerts.ts";
import { findingsOf } from "../../src/domain/rules/examination.ts";
import { timezoneUrl } from "../../src/fhir/patient.ts";
import { readPicture } from "../../src/flows/picture.ts";
import { rebuild } from "../../src/flows/rebuild.ts";
import { defaultSerialSystem, recordUse, type UploadReport } from "../../src/flows/record-use.ts";
import { replayUpload } from "../../src/flows/uploads.ts";
import { inTenant } from "../../src/store/database.ts";
import { put, type TestService, testService } from "../support/service.ts";

let here: TestService;

beforeAll(async () => {
  here = await testService("2026-03-10T12:00:00Z");
});

afterAll(() => here.close());

const limits = { maxBytes: 1_000_000 };
const morning = { sequenceNumber: 1, start: "2026-03-09T08:00:00Z", end: "2026-03-09T08:10:00Z", cyclesDelivered: 20 };
const evening = { sequenceNumber: 2, start: "2026-03-09T19:00:00Z", end: "2026-03-09T19:12:00Z", cyclesDelivered: 24 };

/** Somebody with a machine of their own since the first of the year, in London unless said otherwise. */
async function personWithMachine(name: string, zone = "Europe/London"): Promise<void> {
  await put(
    here,
    { resourceType: "Patient", id: name, extension: [{ url: timezoneUrl, valueCode: zone }] } as never,
    {
      resourceType: "Device",
      id: `machine-of-${name}`,
      status: "active",
      identifier: [{ system: defaultSerialSystem, value: `serial-${name}` }],
    } as never,
    {
      resourceType: "DeviceUseStatement",
      id: `use-of-${name}`,
      status: "active",
      subject: { reference: `Patient/${name}` },
      device: { reference: `Device/machine-of-${name}` },
      timingPeriod: { start: "2026-01-01T09:00:00Z" },
    } as never,
  );
}

async function sent(name: string, envelope: Record<string, unknown>): Promise<UploadReport> {
  const body = {
    format: "tidegate-use-record",
    version: 1,
    device: { serialNumber: `serial-${name}` },
    readAt: "2026-03-10T11:00:00Z",
    sessions: [],
    ...envelope,
  };
  const bytes = Buffer.from(JSON.stringify(body));
  const arrived = { bytes, contentType: "application/json", contentEncoding: "identity" };
  const answer = await recordUse(here.service, here.tenantId, arrived, limits);
  if (!answer.ok) throw new Error(JSON.stringify(answer.refusals));
  return answer.value;
}

async function pictureOf(name: string) {
  const read = await inTenant(here.database, here.tenantId, (session) =>
    readPicture(here.service, session, name, here.clock.at),
  );
  return read?.picture;
}

async function sessionRows(name: string) {
  return inTenant(here.database, here.tenantId, (session) =>
    session.query<{ session_id: string; started_at: number }>(
      "select session_id, started_at from therapy_session where tenant_id = $1 and patient_id = $2 order by started_at",
      [here.tenantId, name],
    ),
  );
}

async function alertRows(name: string) {
  return inTenant(here.database, here.tenantId, (session) =>
    session.query<{ code: string; at: number; local_day: string }>(
      "select code, at, local_day from device_alert where tenant_id = $1 and patient_id = $2 order by at, code",
      [here.tenantId, name],
    ),
  );
}

test("an alert whose time comes spelled with another offset counts once; another time is another alert", async () => {
  await personWithMachine("spelled");
  const at = (time: string) => ({ code: "L-12", at: time });
  await sent("spelled", { alerts: [at("2026-03-09T08:05:00Z"), at("2026-03-09T09:05:00.000+01:00")] });
  await sent("spelled", { sessions: [morning], alerts: [at("2026-03-09T03:05:00-05:00"), at("2026-03-09T08:06:00Z")] });
  expect(await alertRows("spelled")).toEqual([
    { code: "L-12", at: Date.parse("2026-03-09T08:05:00Z"), local_day: "2026-03-09" },
    { code: "L-12", at: Date.parse("2026-03-09T08:06:00Z"), local_day: "2026-03-09" },
  ]);
});

test("an alert counts to the patient's own day, and a rebuild states the same", async () => {
  await personWithMachine("dawn", "Pacific/Auckland");
  await sent("dawn", { alerts: [{ code: "E-1", at: "2026-03-09T12:30:00Z" }] });
  const before = await alertRows("dawn");
  expect(before).toMatchObject([{ code: "E-1", local_day: "2026-03-10" }]);
  await rebuild(here.service, { onProgress: () => undefined });
  expect(await alertRows("dawn")).toEqual(before);
});

test("the difference of the device's clock stands in the document and in the picture, to the millisecond", async () => {
  await personWithMachine("slow");
  const report = await sent("slow", { deviceClockAtReading: "2026-03-10T10:49:59.750Z", sessions: [morning] });
  const check = {
    uploadId: report.uploadId,
    deviceId: "machine-of-slow",
    readMs: Date.parse("2026-03-10T11:00:00Z"),
    driftMs: -600_250,
  };
  expect((await pictureOf("slow"))?.clockChecks).toEqual([check]);
  const again = await replayUpload(
    here.service,
    here.tenantId,
    report.uploadId,
    { deviceClockAtReading: "2026-03-10T11:10:00Z" },
    limits,
  );
  expect(again.ok).toBe(true);
  expect((await pictureOf("slow"))?.clockChecks).toEqual([{ ...check, driftMs: 600_000 }]);
});

test("what somebody entered in error does not come back when the device sends it again", async () => {
  await personWithMachine("retracted");
  await sent("retracted", { sessions: [morning] });
  const [{ session_id: id } = { session_id: "" }] = await sessionRows("retracted");
  const [row] = await inTenant(here.database, here.tenantId, (session) =>
    session.query<{ body: string }>(
      "select body from resource where tenant_id = $1 and type = 'Observation' and id = $2",
      [here.tenantId, id],
    ),
  );
  await put(here, { ...JSON.parse(row?.body ?? "{}"), status: "entered-in-error" });
  expect(await sessionRows("retracted")).toEqual([]);
  const again = await sent("retracted", { sessions: [morning, evening] });
  expect([again.created, again.unchanged]).toEqual([1, 1]);
  expect((await sessionRows("retracted")).map((one) => one.started_at)).toEqual([Date.parse(evening.start)]);
});

test("a device whose code comes again and whose clock is wrong gives both findings, on what the upload stated", async () => {
  await personWithMachine("again");
  const alerts = ["2026-03-07", "2026-03-08", "2026-03-09"].map((day) => ({ code: "L-12", at: `${day}T08:05:00Z` }));
  await sent("again", { deviceClockAtReading: "2026-03-10T11:05:00.001Z", alerts, sessions: [morning] });
  const picture = await pictureOf("again");
  if (picture === undefined) throw new Error("There is a patient.");
  const about = [deviceAlerts, clockDrift].flatMap((rule) => findingsOf(rule, picture));
  expect(about.map((one) => [one.rule, one.subject])).toEqual([
    ["device-alerts", "Device/machine-of-again"],
    ["clock-drift", "Device/machine-of-again"],
  ]);
});

test("an upload's document that somebody entered in error vouches for nothing when the upload comes again", async () => {
  await personWithMachine("mistaken");
  const upload = {
    deviceClockAtReading: "2026-03-10T11:00:00Z",
    coverage: [{ start: "2026-03-09T00:00:00Z", end: "2026-03-09T12:00:00Z" }],
    sessions: [morning],
  };
  const { uploadId } = await sent("mistaken", upload);
  const vouched = async () => {
    const picture = await pictureOf("mistaken");
    return [picture?.coverage.length, picture?.clockChecks.length, picture?.sessions.length];
  };
  expect(await vouched()).toEqual([1, 1, 1]);
  const [row] = await inTenant(here.database, here.tenantId, (session) =>
    session.query<{ body: string }>(
      "select body from resource where tenant_id = $1 and type = 'DocumentReference' and id = $2",
      [here.tenantId, uploadId],
    ),
  );
  await put(here, { ...JSON.parse(row?.body ?? "{}"), status: "entered-in-error" });
  expect(await vouched()).toEqual([0, 0, 1]);
  await sent("mistaken", upload);
  expect(await vouched()).toEqual([0, 0, 1]);
});
